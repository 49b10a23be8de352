"""What `import moldsmith` gives, and what it costs."""

from __future__ import annotations

import subprocess
import sys
from importlib.metadata import version

import pytest

import moldsmith

STABLE = [
    "MoldsmithError",
    "Printer",
    "Workpiece",
    "block",
    "channels",
    "fasten",
    "crop",
    "heal",
    "load_scan",
    "overhangs",
    "run_job",
    "shell",
    "split",
]


@pytest.mark.parametrize("name", STABLE)
def test_stable_name_is_there(name: str) -> None:
    assert name in moldsmith.__all__
    assert name in dir(moldsmith)
    assert getattr(moldsmith, name).__name__ == name


@pytest.mark.parametrize("name", sorted(set(moldsmith.__all__) - {"__version__"}))
def test_every_public_name_is_documented(name: str) -> None:
    assert (getattr(moldsmith, name).__doc__ or "").strip()


def test_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'melt'"):
        moldsmith.melt  # noqa: B018 - the access is the test


def test_version_is_that_of_the_package() -> None:
    assert moldsmith.__version__ == version("moldsmith")


def test_import_loads_none_of_the_heavy_modules() -> None:
    heavy = ["numpy", "scipy", "trimesh", "manifold3d", "shapely", "networkx", "matplotlib"]
    script = f"import sys, moldsmith; print([name for name in {heavy} if name in sys.modules])"
    printed = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert printed.stdout.strip() == "[]"
