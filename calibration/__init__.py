"""Ware, titrant and instruments: quantities with named contributions, and certificates."""
