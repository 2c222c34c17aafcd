"""Traits of leaves estimated from whole spectra, with errors of units left out."""
