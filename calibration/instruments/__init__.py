"""Cameras, photometers and clocks."""
