"""A titration in progress."""
