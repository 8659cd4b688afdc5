"""From a volume to a hardness with its uncertainty budget."""
