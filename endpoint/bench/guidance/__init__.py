"""What to do next at the bench, and how much titrant is left."""
