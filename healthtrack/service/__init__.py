"""The service: what is due is done once, for years, and can be looked at from outside.

The only home of apscheduler. Nothing here computes a verdict; it calls :mod:`healthtrack.jobs`.
"""
