"""leafledger: a leaf reflectance study, from raw spectrometer files to an auditable result."""
