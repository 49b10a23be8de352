"""How many threads a look-up of many points may take."""

from __future__ import annotations

import os

__all__ = ["THREADS", "threads"]

THREADS = "MOLDSMITH_THREADS"


def threads() -> int:
    """As many as the environment's MOLDSMITH_THREADS says, else -1: one for each core.

    Processes that work at the same time would only get in each other's way with more.
    """
    given = os.environ.get(THREADS, "")
    return int(given) if given.isdigit() and int(given) > 0 else -1
