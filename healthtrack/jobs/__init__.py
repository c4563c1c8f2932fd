"""What the command line and the service both do: ingest a folder, assess, write reports.

Here the pure chain meets the disk; nothing here prints, and the time comes in as an argument.
"""
