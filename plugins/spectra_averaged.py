"""Averaged auto and cross spectra."""
