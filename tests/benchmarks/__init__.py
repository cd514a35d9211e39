"""Measurements for the documentation: run by hand, not by pytest."""
