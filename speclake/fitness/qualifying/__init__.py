"""Qualification runs: what standards say of wavelength, photometry, stray light and the rest."""
