"""The record of a titration: what the analyst states."""
