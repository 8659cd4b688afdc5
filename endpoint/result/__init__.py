"""A result in words and as data, written and read back."""
