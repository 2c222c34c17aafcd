"""Traits of leaves from their spectra."""
