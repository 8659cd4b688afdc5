"""The equivalence volume from the chemistry, with its interval."""
