"""The signal pipeline: captures in, defended comparisons out."""
