"""Long-term condition monitoring of the air path of turbocharged vehicle engines."""

__version__ = "0.1.0"
