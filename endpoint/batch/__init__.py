"""Many recordings: one row for each, whatever happens to it."""
