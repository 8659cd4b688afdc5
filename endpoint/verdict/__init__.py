"""May a number be given: located, bracketed or none, with reasons and remarks."""
