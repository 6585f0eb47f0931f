"""The question and its answer: study file, pairing, effect, interval, verdict; tables only."""
