"""What pip installs works, not only the tree."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from moldsmith.sources import sources_digest

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    run(sys.executable, "-m", "build", "--wheel", "--outdir", str(folder), str(ROOT), at=folder)
    [built] = folder.glob("moldsmith-*.whl")
    return built


@pytest.fixture(scope="module")
def installed(wheel: Path) -> Path:
    """A folder with the wheel alone; what it depends on comes from the running environment."""
    target = wheel.parent / "installed"
    run(
        *(sys.executable, "-m", "pip", "install", "--no-deps", "--no-index"),
        *("--target", str(target), str(wheel)),
        at=wheel.parent,
    )
    return target


def run(*command: str, at: Path, path: Path | None = None) -> str:
    environment = {**os.environ, **({"PYTHONPATH": str(path)} if path else {})}
    done = subprocess.run(command, cwd=at, env=environment, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_wheel_carries_types_schema_and_demo(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    for name in (
        "moldsmith/py.typed",
        "moldsmith/stage_log.schema.json",
        "moldsmith/shared/demo/troll.toml",
        "moldsmith/shared/demo/form.toml",
        "moldsmith/sheet/page.html",
        "moldsmith/sheet/page.css",
        "moldsmith/sheet/view.js",
        "moldsmith/sheet/vendor/three.min.js",
        "moldsmith/sheet/vendor/LICENSE",
    ):
        assert name in names


def test_installed_wheel_is_the_tree_s_code_and_finds_its_data(installed: Path) -> None:
    script = (
        "import moldsmith, moldsmith.data as data, moldsmith.sources as sources; "
        "print(sources.sources_digest()); "
        "print(moldsmith.__file__); print(data.data_path('demo/troll.toml'))"
    )
    code, *places = run(sys.executable, "-c", script, at=installed, path=installed).splitlines()
    assert all(Path(line).is_relative_to(installed) for line in places)
    assert code == sources_digest()  # so that a stage finished in the tree is read back


def test_installed_wheel_has_its_command(installed: Path) -> None:
    script = "from moldsmith.cli import main; raise SystemExit(main(['--help']))"
    assert "demo" in run(sys.executable, "-c", script, at=installed, path=installed)
    command = installed / "bin" / "moldsmith"
    if sys.platform != "win32":
        assert "demo" in run(str(command), "--help", at=installed, path=installed)
