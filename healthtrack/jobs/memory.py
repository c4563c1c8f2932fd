"""Memory that is let go goes back to the machine, so that long logs do not add up."""

from __future__ import annotations

import ctypes
import sys
from functools import cache

LARGE_BYTES = 2**20
"""A block from this size on is mapped by itself: the arrays of logs from 130 000 rows on. [byte]"""

_KEPT_BYTES = 8 * 2**20
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD = -1, -3


@cache
def give_back_large_blocks() -> bool:
    """Have large blocks go back to the machine when they are freed; False where that is unknown.

    Left alone, glibc raises the size from which it maps a block by itself with each such block that
    is freed (``M_MMAP_THRESHOLD`` in *mallopt(3)*, up to 32 MiB). The arrays of a second long log
    then lie in a heap that others hold open: 160 MB of it were kept after a log of 24 MiB. Without
    glibc nothing is done.
    """
    if not sys.platform.startswith("linux"):
        return False
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is None:  # another C library
        return False
    # setting one of the two stops glibc from moving the other, which is 128 KiB then
    kept, mapped = mallopt(_M_TRIM_THRESHOLD, _KEPT_BYTES), mallopt(_M_MMAP_THRESHOLD, LARGE_BYTES)
    return bool(kept and mapped)
