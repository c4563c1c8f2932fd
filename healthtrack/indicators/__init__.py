"""One file per symptom: what it needs, its formula, where it holds."""
