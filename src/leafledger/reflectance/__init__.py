"""Counts of leaf, white and dark, turned into reflectance with an uncertainty."""
