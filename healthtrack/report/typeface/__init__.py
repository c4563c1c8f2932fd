"""The reports' letters: two cuts of a TrueType typeface, as files beside this one."""
