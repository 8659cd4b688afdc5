"""Planning a titration before it is done: sample, titrant, additions, replicates."""
