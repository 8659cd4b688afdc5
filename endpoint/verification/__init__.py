"""Verification of the method on a bench: known hardness against what the program found."""
