"""Published and user-made indices of leaf spectra."""
