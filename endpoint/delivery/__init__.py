"""Delivered volume against time, from a log or out of the picture."""
