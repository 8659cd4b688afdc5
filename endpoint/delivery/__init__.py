"""Delivered volume against time, and how the rows of a log go with a recording."""
