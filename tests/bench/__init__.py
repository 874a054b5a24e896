"""Benchmarks: each prints its figures; none is run by the tests."""
