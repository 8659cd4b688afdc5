"""The burette in the picture: meniscus, drops and what they say of the delivered volume."""
