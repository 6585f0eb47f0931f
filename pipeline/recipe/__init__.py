"""The chain of stages as data: read, bound to a row, checked before any sample is read."""
