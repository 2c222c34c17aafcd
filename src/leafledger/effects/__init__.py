"""What the treatment changed: unit means and paired tests."""
