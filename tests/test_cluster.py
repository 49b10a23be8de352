"""One job on a Dask cluster, a worker of which dies midway."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

import pytest

import fakes
from moldsmith.batch import run_job
from moldsmith.cluster import cluster_executor
from moldsmith.errors import CannotWrite

distributed = pytest.importorskip("distributed")
pytestmark = pytest.mark.filterwarnings("default")  # of the cluster's own making


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """Six pieces whose block takes half a second."""
    path = tmp_path / "troll.toml"
    names = [f"pad {number}" for number in range(6)]
    path.write_text(
        "".join(
            f'[[piece]]\nname = "{name}"\nscan = "{name}.txt"\n'
            f"shell.thickness_mm = 3\nblock.sleep_s = 0.5\n"
            for name in names
        )
    )
    for name in names:
        path.with_name(f"{name}.txt").write_text("10")
    return path


@pytest.fixture
def cluster(monkeypatch: pytest.MonkeyPatch):  # type: ignore[no-untyped-def]
    fakes.take_over(monkeypatch)
    monkeypatch.setenv("PYTHONPATH", str(Path(fakes.__file__).parent))
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as local:
        with distributed.Client(local) as client:
            client.register_worker_callbacks(fakes.take_over_here)  # of restarted workers too
        yield local


def test_worker_killed_midway_costs_no_piece(cluster, job: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    out = tmp_path / "out"
    victim = next(iter(cluster.workers.values()))

    def kill() -> None:
        while not list(out.glob("*/03-shell/log.json")):
            time.sleep(0.02)
        os.kill(victim.pid, 9)

    killer = threading.Thread(target=kill)
    killer.start()
    with cluster_executor(cluster.scheduler_address) as executor:
        summary = run_job(job, out=out, executor=executor)
    killer.join()
    assert summary.failed == ()
    assert len(list(out.glob("*/parts/cavity.stl"))) == 6


def test_missing_scheduler_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("moldsmith.cluster._PATIENCE_S", 0.3)
    with (
        pytest.raises(CannotWrite, match=r"no scheduler answers at tcp://127\.0\.0\.1:9"),
        cluster_executor("tcp://127.0.0.1:9"),
    ):
        pass
