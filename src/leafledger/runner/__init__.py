"""What must run, and running it."""
