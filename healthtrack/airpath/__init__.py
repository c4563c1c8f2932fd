"""Air-path physics: free functions on arrays, each with its source."""
