"""Visual endpoints against recorded ones: one module for each published method."""
