"""On the bench: each scan checked as its file is saved, with the plant still there."""
