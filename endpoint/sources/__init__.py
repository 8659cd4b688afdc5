"""Sources of pictures and photometer rows."""
