"""Charts, curves and pictures of a result."""
