"""Seconds and peak memory of a stretch of work."""

from __future__ import annotations

import ctypes
import sys
import time
from contextlib import suppress
from pathlib import Path

__all__ = ["Meter"]


class Meter:
    """Starts when made; read `seconds` and `peak_memory_mb` afterwards.

    On Linux the peak is that of the stretch itself, elsewhere that of the
    process so far, and None where the system tells neither. What earlier work freed goes
    back to the system first.
    """

    def __init__(self) -> None:
        self._start = time.perf_counter()
        _give_back()
        with suppress(OSError):  # another system: the process peak has to do
            Path("/proc/self/clear_refs").write_text("5")

    @property
    def seconds(self) -> float:
        return time.perf_counter() - self._start

    @property
    def peak_memory_mb(self) -> float | None:
        try:
            for line in Path("/proc/self/status").read_text().splitlines():
                if line.startswith("VmHWM:"):
                    return int(line.split()[1]) / 1024
        except OSError:
            pass
        if sys.platform == "win32":
            return None
        import resource

        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        return peak / 2**20 if sys.platform == "darwin" else peak / 1024


def _give_back() -> None:
    """Memory that is free but kept by the C library, for a large scan a gigabyte and more."""
    if sys.platform == "linux":
        with suppress(OSError, AttributeError):  # a C library that has no such call
            ctypes.CDLL(None).malloc_trim(0)
