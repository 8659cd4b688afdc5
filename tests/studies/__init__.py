"""Studies on request: longer than a test, each with one command, a table and a plot."""
