"""Rules of the tree: which way dependencies point, how long a module may be, what start-up may load."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "kitgauge"
MODULES = sorted(PACKAGE.rglob("*.py"))
# (pydantic is not among them: typer itself loads it to parse options)
HEAVY = ("numpy", "scipy", "pandas", "cv2", "matplotlib", "rawpy", "PIL", "tifffile", "jinja2", "exifread")


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names.add(node.module or "")
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


@pytest.mark.parametrize("folder", ["measure", "fit"])
def test_measure_and_fit_know_neither_files_nor_clock_nor_plots(folder):
    forbidden = (
        "pathlib", "os", "io", "time", "datetime", "matplotlib", "rich", "typer", "click", "rawpy", "exifread",
        "kitgauge.frames", "kitgauge.ingest", "kitgauge.runner", "kitgauge.limits", "kitgauge.report",
        "kitgauge.planner", "kitgauge.cli", "kitgauge.simulate", "kitgauge.protocol", "kitgauge.atomic",
    )  # fmt: skip
    for path in (PACKAGE / folder).rglob("*.py"):
        for name in imported(path):
            assert not any(name == bad or name.startswith(bad + ".") for bad in forbidden), (
                f"{path.name} imports {name}"
            )
        if folder == "measure":
            assert not any(name.startswith("kitgauge.fit") for name in imported(path)), path.name


@pytest.mark.parametrize(
    "folder", ["measure", "fit", "limits", "planner", "frames", "protocol", "ingest", "report", "review"]
)
def test_nothing_but_the_demo_uses_the_simulator(folder):
    for path in (PACKAGE / folder).rglob("*.py"):
        assert not any(name.startswith("kitgauge.simulate") for name in imported(path)), path


def test_only_work_for_workers_opens_frames():
    """Native decoders break, hang and eat memory: what opens frames is done by `ingest`'s workers, and listed here."""
    opening = {
        "opening.open_frame", "rendered.open_rendered", "rendered.open_developed", "raw.open_raw", "raw.library_file",
        "shown.shown_picture", "metadata.read_settings", "exif_source.read_tags",
    }  # fmt: skip
    found = {
        path.relative_to(PACKAGE).as_posix()
        for path in MODULES
        if path.relative_to(PACKAGE).parts[0] not in ("frames", "ingest", "simulate")
        and imported(path) & {f"kitgauge.frames.{name}" for name in opening}
    }
    assert found == {"planner/light.py", "review/developed_twin.py", "review/one_frame.py"}


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_modules_stay_small_and_documented(path):
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 450
    assert ast.get_docstring(ast.parse(text)), "module docstring missing"
    assert "utils" not in path.name


@pytest.mark.parametrize(
    "arguments",
    [
        ["--help"],
        ["--version"],
        ["plan", "--help"],
        ["plan", "--light", "ev9.5", "--focal", "50", "--distance", "2"],
        ["plan", "--light", "ev9.5", "--focal", "50", "--distance", "2", "--json"],
        ["limits"],
    ],
    ids=" ".join,
)
def test_start_up_loads_no_heavy_library(arguments, tmp_path):
    script = (
        "import sys\n"
        "from kitgauge.cli import _exit_code\n"
        f"sys.argv = ['kitgauge', *{arguments!r}]\n"
        "code = _exit_code()\n"
        f"print('LOADED', code, [name for name in {HEAVY!r} if name in sys.modules])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False
    )
    assert done.stdout.splitlines()[-1] == "LOADED 0 []", done.stdout[-500:] + done.stderr
