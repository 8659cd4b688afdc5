"""A titration replayed for a class: one page that works from a file."""
