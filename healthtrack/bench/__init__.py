"""The analyst's bench: replay, truth, injected faults, scores, tuning, other detectors."""
