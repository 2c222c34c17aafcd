"""Pages that a person opens in a browser on this machine."""
