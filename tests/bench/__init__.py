"""Longer runs than the test suite's: each is a module with one documented command."""
