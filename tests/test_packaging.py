"""A wheel built from the source archive and installed elsewhere is whole, and holds nothing but the program."""

from __future__ import annotations

import email
import os
import re
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

import kitgauge

ROOT = Path(__file__).resolve().parents[1]
PACKAGED = {".py", ".md", ".css", ".js", ".jinja", ".j2", ".typed"}  # what the package's own folders hold


@pytest.fixture(scope="module")
def archive(tmp_path_factory) -> Path:
    """The source archive, unpacked: nothing else of the project."""
    built = tmp_path_factory.mktemp("archive")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "sdist", "-d", built],
        cwd=ROOT, check=True, capture_output=True, timeout=300,
    )  # fmt: skip
    (packed,) = built.glob("kitgauge-*.tar.gz")
    with tarfile.open(packed) as file:
        file.extractall(built, filter="data")
    return built / packed.name.removesuffix(".tar.gz")


@pytest.fixture(scope="module")
def installed(archive, tmp_path_factory) -> Path:
    """A folder with the unpacked wheel, built from the source archive, and nothing else of the project."""
    wheels = tmp_path_factory.mktemp("wheels")
    subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--no-build-isolation", "-w", wheels, archive],
        check=True,
        capture_output=True,
        timeout=300,
    )
    (wheel,) = wheels.glob("kitgauge-*.whl")
    place = tmp_path_factory.mktemp("elsewhere")
    with zipfile.ZipFile(wheel) as file:
        file.extractall(place)
    return place


def names_in(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


def call(installed: Path, cwd: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    home = cwd / "home"
    home.mkdir(exist_ok=True)
    keep = {name: value for name, value in os.environ.items() if not name.startswith(("KITGAUGE", "XDG", "MPL"))}
    return subprocess.run(
        [sys.executable, "-m", "kitgauge", *arguments],
        cwd=cwd,
        env={**keep, "HOME": str(home), "PYTHONPATH": str(installed), "PYTHONSAFEPATH": "1"},
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


@pytest.mark.parametrize(
    ("arguments", "file", "holds"),
    [
        (["brief", "noise-ladder", "--out", "brief.html"], "brief.html", b"<html"),
        (["card", "--focal", "35", "--out", "card.html"], "card.html", b"<html"),
        (["card", "--focal", "35", "--out", "card.pdf"], "card.pdf", b"%PDF"),
        (["target", "--out", "target.pdf"], "target.pdf", b"%PDF"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_it_writes_its_pages(installed, tmp_path, arguments, file, holds):
    done = call(installed, tmp_path, *arguments)
    assert done.returncode == 0, done.stderr
    assert holds in (tmp_path / file).read_bytes()[:1000].lower() + (tmp_path / file).read_bytes()[:10]


def test_it_measures_with_a_home_that_is_empty(installed, tmp_path, frames_of):
    done = call(installed, tmp_path, "run", "noise-ladder", str(frames_of("noise-ladder")), "--results", "results")
    assert done.returncode == 0, done.stderr
    (report,) = (tmp_path / "results").rglob("report.html")
    assert "<svg" in report.read_text(encoding="utf-8")


def test_the_wheel_holds_all_files_of_the_package_and_nothing_else(installed):
    names = names_in(installed)
    of_package = {name for name in names if name.startswith("kitgauge/")}
    for path in (ROOT / "kitgauge").rglob("*"):
        if path.is_file() and "__pycache__" not in path.parts:
            assert path.suffix in PACKAGED, f"what is {path.relative_to(ROOT)}?"
            assert path.relative_to(ROOT).as_posix() in names
    shipped = {f"kitgauge/protocol/shipped/{path.name}" for path in (ROOT / "protocols").iterdir()}
    assert shipped <= of_package
    assert "kitgauge/protocol/shipped/protocol.schema.json" in shipped
    assert {f"kitgauge/docs/{name}.md" for name in ("commands", "python", "numbers")} <= of_package
    assert all(name.startswith(("kitgauge/", "kitgauge-")) for name in names)
    assert not {name for name in of_package if re.search(r"(^|/)(tests?|bench|conftest)(/|\.py$)|/test_", name)}
    assert any(name.endswith("licenses/LICENSE") for name in names)


def test_the_source_archive_holds_what_the_tests_and_benches_need(archive):
    names = names_in(archive)
    for folder in ("kitgauge", "protocols", "tests", "bench", ".ci"):
        for path in (ROOT / folder).rglob("*"):
            ours = path.is_file() and not {"__pycache__", ".hypothesis"} & set(path.parts)
            assert not ours or path.relative_to(ROOT).as_posix() in names
    assert {"pyproject.toml", "README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "results/README.md"} <= names
    assert not {name for name in names if name.startswith("results/") and name != "results/README.md"}


def test_the_wheel_says_what_it_is(installed):
    (folder,) = installed.glob("kitgauge-*.dist-info")
    said = email.message_from_string((folder / "METADATA").read_text(encoding="utf-8"))
    assert said["Name"] == "kitgauge"
    assert said["Version"] == kitgauge.__version__
    assert said["Requires-Python"] == ">=3.11"
    assert said["License-Expression"] == "MIT"
    classifiers = said.get_all("Classifier")
    for version in ("3.11", "3.12", "3.13"):
        assert f"Programming Language :: Python :: {version}" in classifiers
    # there is no home page: a made-up one would be worse than none
    assert said.get_all("Project-URL") is None
    assert said["Home-page"] is None
    points = (folder / "entry_points.txt").read_text(encoding="utf-8")
    assert "kitgauge = kitgauge.cli:main" in points


def test_one_version_everywhere():
    stated = re.search(r'^version = "(.+)"$', (ROOT / "pyproject.toml").read_text(encoding="utf-8"), re.MULTILINE)
    assert stated is not None
    assert stated[1] == kitgauge.__version__
    assert f"## {kitgauge.__version__}" in (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
