"""Colour of the liquid as optical densities against the reference."""
