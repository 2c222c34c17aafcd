"""Seeds, permutation and resampling."""
