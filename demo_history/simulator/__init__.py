"""A physical simulator of a turbocharged diesel on the road, independent of what it tests.

:mod:`.engine` holds the parts' formulas and parameters, :mod:`.steady` operating points at rest,
:mod:`.driving` and :mod:`.dynamic` whole drives, :mod:`.weather` the sky, :mod:`.sensors` what a
logger makes of it, :mod:`.map_points` the invented compressor map. For tests of many vehicles over
years: :mod:`.stories` says what they live through, :mod:`.fleet` draws and solves them,
:mod:`.frames` gives steady windows, :mod:`.whole_drives` samples of some whole drives.
"""
