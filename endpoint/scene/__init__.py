"""Where liquid and white reference are in the picture, and how the flask moves."""
