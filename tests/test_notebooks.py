"""The notebooks run from the first cell to the last, as they are."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

import nbclient
import nbformat
import pytest

NOTEBOOKS = Path(__file__).parents[1] / "notebooks"


def test_there_are_five_notebooks() -> None:
    assert len(list(NOTEBOOKS.glob("*.ipynb"))) == 5


@pytest.mark.parametrize("path", sorted(NOTEBOOKS.glob("*.ipynb")), ids=lambda path: path.name)
# The kernel's client opens sockets and loops of its own, and leaves closing to the collector.
@pytest.mark.filterwarnings(
    "ignore::ResourceWarning",
    "ignore::DeprecationWarning",
    "ignore::pytest.PytestUnraisableExceptionWarning",
)
def test_notebook_runs_unmodified(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    if sys.platform == "win32":
        asyncio.set_event_loop_policy(asyncio.WindowsSelectorEventLoopPolicy())
    monkeypatch.setenv("MPLBACKEND", "module://matplotlib_inline.backend_inline")
    notebook = nbformat.read(path, as_version=4)
    client = nbclient.NotebookClient(
        notebook, timeout=300, kernel_name="python3", resources={"metadata": {"path": tmp_path}}
    )
    client.execute()
    assert all(cell.get("execution_count") for cell in notebook.cells if cell.cell_type == "code")
