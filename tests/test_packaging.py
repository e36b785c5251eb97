"""A wheel built and installed elsewhere is whole: protocols, templates, schema, types."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def installed(tmp_path_factory) -> Path:
    """A folder with the unpacked wheel and nothing else of the project."""
    wheels = tmp_path_factory.mktemp("wheels")
    subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--no-build-isolation", "-w", wheels, ROOT],
        check=True,
        capture_output=True,
        timeout=300,
    )
    (wheel,) = wheels.glob("kitgauge-*.whl")
    place = tmp_path_factory.mktemp("elsewhere")
    with zipfile.ZipFile(wheel) as file:
        file.extractall(place)
    return place


def call(installed: Path, cwd: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "kitgauge", *arguments],
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(installed), "PYTHONSAFEPATH": "1"},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


def test_it_finds_its_protocols(installed, tmp_path):
    where = subprocess.run(
        [sys.executable, "-c", "import kitgauge; print(kitgauge.__file__)"],
        cwd=tmp_path, env={**os.environ, "PYTHONPATH": str(installed), "PYTHONSAFEPATH": "1"},
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert where.stdout.startswith(str(installed))
    done = call(installed, tmp_path, "protocols")
    assert done.returncode == 0, done.stderr
    for path in (ROOT / "protocols").glob("*.toml"):
        assert path.stem in done.stdout


def test_it_writes_a_brief(installed, tmp_path):
    done = call(installed, tmp_path, "brief", "noise-ladder", "--out", "brief.html")
    assert done.returncode == 0, done.stderr
    assert "<html" in (tmp_path / "brief.html").read_text(encoding="utf-8")


def test_it_holds_what_it_should_and_nothing_else(installed):
    names = {path.relative_to(installed).as_posix() for path in installed.rglob("*") if path.is_file()}
    assert "kitgauge/py.typed" in names
    assert "kitgauge/protocol/shipped/protocol.schema.json" in names
    assert all(name.startswith(("kitgauge/", "kitgauge-")) for name in names)
    assert any(name.endswith("licenses/LICENSE") for name in names)
