"""Equivalence volume and water hardness from a recording of an EDTA titration."""
