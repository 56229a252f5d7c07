"""Regression of times to an event: models, what checks them, and what fills in missing values. Knows no registry."""
