"""A physical simulator of a turbocharged diesel on the road, independent of what it tests.

:mod:`.engine` holds the parts' formulas and parameters, :mod:`.steady` operating points at rest,
:mod:`.driving` and :mod:`.dynamic` whole drives, :mod:`.weather` the sky, :mod:`.sensors` what a
logger makes of it, :mod:`.fleet` many vehicles over years as windows, :mod:`.map_points` the
invented compressor map.
"""
