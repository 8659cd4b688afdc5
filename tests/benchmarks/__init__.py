"""Benchmarks that are run on request: python -m tests.benchmarks."""
