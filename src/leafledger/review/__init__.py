"""A local page on which a person looks at replicates and decides what takes part."""
