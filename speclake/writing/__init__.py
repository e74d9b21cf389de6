"""Spectra written in open formats, each number so that a reader gets back the very float64."""
