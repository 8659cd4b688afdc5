"""A titration while it goes on."""
