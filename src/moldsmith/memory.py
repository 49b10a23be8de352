"""How much memory a piece will want, and how much there is."""

from __future__ import annotations

import json
from pathlib import Path

import psutil

__all__ = ["free_mb", "piece_needs_mb"]

# Libraries and a shell at 1 mm cells took 0.95 GB, a scan ten times its file (benchmarks/).
_BASE_MB = 900.0
_PER_SCAN_MB = 10.0


def free_mb() -> float:
    """Memory that this machine can give without swapping."""
    return float(psutil.virtual_memory().available) / 2**20


def piece_needs_mb(scan: Path, folder: Path) -> float:
    """The peak that making a piece takes: of its last run in `folder`, else by its scan's size."""
    last = [peak for log in folder.glob("*/log.json") if (peak := _peak_mb(log)) is not None]
    if last:
        return max(last)
    try:
        return _BASE_MB + _PER_SCAN_MB * scan.stat().st_size / 2**20
    except OSError:  # loading will say so
        return _BASE_MB


def _peak_mb(log: Path) -> float | None:
    try:
        peak = json.loads(log.read_text(encoding="utf-8"))["peak_memory_mb"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return float(peak) if isinstance(peak, int | float) else None
