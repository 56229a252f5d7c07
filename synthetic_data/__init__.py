"""Fictional clinics with a known truth."""
