"""From a logger's file to trustworthy samples: readers, units, plausibility, quarantine."""
