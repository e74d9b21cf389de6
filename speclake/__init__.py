"""speclake: an archive that takes in, judges, finds and trends UV-visible-NIR spectra."""
