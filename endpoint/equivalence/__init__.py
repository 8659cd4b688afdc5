"""The equivalence volume from the chemistry, and whether it may be given."""
