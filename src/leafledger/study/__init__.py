"""The study folder: its definition, its sheets, its tables."""
