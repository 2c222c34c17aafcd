"""How the demo study is invented: plants, leaves, the instrument, planted faults, raw files."""
