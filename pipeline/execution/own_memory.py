"""Memory that is freed and taken again: kept by the process instead of given back to the system each time.

By default the C library gives a large array back as it is freed, and the fresh pages of the next one cost a third of a
capture's processor time. The variables below change that for every process started with them; the one that sets them
has its allocator told directly.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable

KEPT_BYTES, MAPPED_FROM_BYTES = 1 << 28, 1 << 26
MEMORY_ENVIRONMENT = {"MALLOC_TRIM_THRESHOLD_": KEPT_BYTES, "MALLOC_MMAP_THRESHOLD_": MAPPED_FROM_BYTES}
"""Read by the GNU C library as a process starts; any other library passes over them."""

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
"""Numbers of the two parameters in malloc.h of the GNU C library."""


def keep_freed_memory() -> bool:
    """Do in this process what the variables say, where they are set and the C library can; True where it did.

    Only a process that is ours sets them (the command line does): inside somebody else's program nothing changes.
    """
    told = [os.environ.get(name, "") for name in MEMORY_ENVIRONMENT]
    if not all(text.isdigit() for text in told) or not sys.platform.startswith("linux"):
        return False
    set_parameter = _mallopt()
    if set_parameter is None:
        return False
    trim, mapped = (int(text) for text in told)
    return bool(set_parameter(_TRIM_THRESHOLD, trim) and set_parameter(_MMAP_THRESHOLD, mapped))


def _mallopt() -> Callable[[int, int], int] | None:
    import ctypes

    found: Callable[[int, int], int] | None = getattr(ctypes.CDLL(None), "mallopt", None)
    return found
