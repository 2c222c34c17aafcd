"""Discriminant classifier and its honest validation."""
