"""Being here puts this folder on the path: tests in its folders import what they share."""

from __future__ import annotations

import pytest

from demo_runs import DemoRun, made_once


@pytest.fixture(scope="session")
def demo_run(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> DemoRun:
    """The demo as its command makes it, once for all workers: only to be read."""
    base = tmp_path_factory.getbasetemp()
    return made_once((base if worker_id == "master" else base.parent) / "demo")
