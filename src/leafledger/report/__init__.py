"""One page and its figures for a person to read."""
