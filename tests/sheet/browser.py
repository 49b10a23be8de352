"""A headless Chromium, driven by its command line."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest

_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
_QUIET = (
    "--headless",
    "--use-gl=angle",
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--virtual-time-budget=20000",
    "--enable-logging=stderr",
    "--host-resolver-rules=MAP * ~NOTFOUND",
)


@dataclass(frozen=True)
class Opened:
    """What came of opening a page: the document as it stood in the end, and the console's lines."""

    document: str
    console: tuple[str, ...]

    def data(self, name: str) -> str:
        """A data attribute of the root element."""
        root = re.search(r"<html[^>]*>", self.document)
        found = re.search(rf'data-{name}="([^"]*)"', root.group() if root else "")
        return found.group(1) if found else ""


def chromium() -> str:
    """The browser's path; skips the test where there is none."""
    for name in _NAMES:
        if path := shutil.which(name):
            return path
    pytest.skip(f"none of {', '.join(_NAMES)} is on PATH: install chromium to run this test")


def opened(page: Path, tmp_path: Path, *arguments: str) -> Opened:
    done = _run(tmp_path, "--dump-dom", *arguments, page.as_uri())
    return Opened(
        done.stdout, tuple(line for line in done.stderr.splitlines() if "CONSOLE" in line)
    )


def printed(page: Path, tmp_path: Path) -> bytes:
    """The page as its own print to PDF."""
    target = tmp_path / "printed.pdf"
    _run(tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={target}", page.as_uri())
    return target.read_bytes()


def _run(tmp_path: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    profile = tmp_path / "profile"
    root = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
    return subprocess.run(
        [chromium(), *_QUIET, *root, f"--user-data-dir={profile}", *arguments],
        capture_output=True,
        text=True,
        timeout=300,
        check=True,
        env={**os.environ, "HOME": str(tmp_path)},
    )
