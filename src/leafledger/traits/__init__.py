"""Traits of leaves: from whole spectra with errors of units left out, and by a leaf model."""
