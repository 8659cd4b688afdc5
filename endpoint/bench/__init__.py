"""The bench: live guidance on a local page."""
