"""Colour against volume, and which form of the indicator a colour shows."""
