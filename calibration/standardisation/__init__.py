"""The titrant: primary standards, titres and the concentration from them."""
