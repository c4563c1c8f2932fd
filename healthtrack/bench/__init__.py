"""The analyst's bench: what a detector must beat before it is believed."""
