"""The slow movement of the residual: level, slope, change, alert and alarm."""
