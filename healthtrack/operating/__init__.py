"""From samples to operating points: windows, standstills, pulls."""
