"""Measure on the workers of a cluster, on other machines, instead of in processes here."""
