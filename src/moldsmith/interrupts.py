"""Ctrl-C while libraries are being imported."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["interrupts_held"]


@contextmanager
def interrupts_held() -> Iterator[None]:
    """Ctrl-C within the block counts at its end.

    Some libraries go on without a part of theirs whose import fails, whatever it failed of:
    pressed at that moment, Ctrl-C would be lost, and the library broken.
    """
    here = threading.current_thread() is threading.main_thread()
    if not (here and callable(signal.getsignal(signal.SIGINT))):
        yield  # Ctrl-C does not come here, or this process does not heed it
        return
    pressed = False

    def hold(*_: object) -> None:
        nonlocal pressed
        pressed = True

    before = signal.signal(signal.SIGINT, hold)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if pressed:
        raise KeyboardInterrupt
