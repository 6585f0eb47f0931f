"""Numbers in, numbers out: numpy and scipy only; no files, clock, logging or random state."""
