"""Replicates of one sample: mean, scatter, outliers, control charts."""
