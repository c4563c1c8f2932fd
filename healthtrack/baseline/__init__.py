"""The healthy expectation of an indicator, learned from a stated period, with its uncertainty."""
