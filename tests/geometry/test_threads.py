"""Look-ups take all cores, or as many as a worker process is given."""

from __future__ import annotations

import os

import pytest

from moldsmith.geometry.threads import THREADS, threads
from moldsmith.processes import worker_processes


@pytest.mark.parametrize(("given", "taken"), [("3", 3), ("", -1), ("0", -1), ("many", -1)])
def test_environment_says_how_many(monkeypatch: pytest.MonkeyPatch, given: str, taken: int) -> None:
    monkeypatch.setenv(THREADS, given)
    assert threads() == taken


def test_workers_share_the_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(THREADS, raising=False)
    cores = os.cpu_count() or 1
    with worker_processes(2) as pool:
        assert pool.submit(threads).result() == max(cores // 2, 1)
    assert THREADS not in os.environ
    with worker_processes(1) as pool:
        assert pool.submit(threads).result() == -1
