"""Tools that tests and benchmarks share."""
