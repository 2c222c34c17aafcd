"""Flags on scans, the trusted range, and which scans are accepted."""
