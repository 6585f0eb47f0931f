"""The mark of what a person must fill in."""

FILL_IN = "FILL-IN"
"""Stands where a person must decide; a table or study that still holds it is refused."""
