"""A result turned into text, charts and files."""
