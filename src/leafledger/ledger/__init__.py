"""The book of runs: tracking store, trace, compare, verify."""
