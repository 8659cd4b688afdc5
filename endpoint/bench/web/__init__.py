"""The page of the bench and the server behind it."""
