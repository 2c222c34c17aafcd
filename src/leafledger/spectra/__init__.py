"""Wavelength axes, bands, smoothing and the domain of spectra."""
