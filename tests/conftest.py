"""What tests share: a small simulated kit, folders of its frames, and an own cache for each test session."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import settings
from small_kits import shots_of, small_kit

from kitgauge.ingest import worker_nursery
from kitgauge.simulate.shooting import shoot_protocol

# A change is judged on the same examples every time; at a desk, each run tries others.
settings.register_profile("ci", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("ci")

# Whoever starts the tests in the background may have them ignore these, and what is ignored is inherited by the
# programs that tests start: a run under `nohup` is meant to go on when the terminal has gone.
for _name, _usual in (("SIGINT", signal.default_int_handler), ("SIGHUP", signal.SIG_DFL)):
    if hasattr(signal, _name) and signal.getsignal(getattr(signal, _name)) == signal.SIG_IGN:
        signal.signal(getattr(signal, _name), _usual)

ROOT = Path(__file__).resolve().parents[1]
SHARED = ROOT.parent / "shared"


@pytest.fixture(scope="session")
def shared() -> Path:
    """The folder of real files and published figures beside the project; the test skips where it is absent."""
    if not SHARED.is_dir():
        pytest.skip("no folder 'shared' beside the project's: real files and published figures are not there")
    return SHARED


@pytest.fixture(autouse=True, scope="session")
def _own_cache(tmp_path_factory):
    """Keep measurements of tests apart from the user's, and from those of earlier sessions."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("KITGAUGE_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(scope="session")
def _originals(tmp_path_factory) -> Callable[[str], Path]:
    made: dict[str, Path] = {}

    def originals(protocol: str) -> Path:
        if protocol not in made:
            kit = small_kit()
            limits = {
                "noise-ladder": {"iso_max": 800.0},
                "aperture-sweep": {"f_min": 4.0, "f_max": 16.0},
                "handheld-shutter": {},
            }.get(protocol, {})
            folder = tmp_path_factory.mktemp(protocol)
            frames = 4 if protocol == "handheld-shutter" else None
            shoot_protocol(kit, shots_of(protocol, kit, frames, **limits), folder, seed=3)
            made[protocol] = folder
        return made[protocol]

    return originals


@pytest.fixture
def frames_of(_originals, tmp_path) -> Callable[[str], Path]:
    """Return a function: protocol id -> a fresh copy of a folder with its simulated frames."""

    def copied(protocol: str) -> Path:
        return Path(shutil.copytree(_originals(protocol), tmp_path / "frames" / protocol))

    return copied


@pytest.fixture
def kitgauge(tmp_path) -> Callable[..., subprocess.CompletedProcess[str]]:
    """Return a function that runs the command line in a process of its own, in the test's folder."""

    def call(*arguments: object, **environment: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "kitgauge", *map(str, arguments)],
            cwd=tmp_path,
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
            stdin=subprocess.DEVNULL,
            env={**os.environ, "PYTHONWARNINGS": "error", "COLUMNS": "120", **environment},
        )

    return call


@pytest.fixture
def in_this_process(monkeypatch) -> None:
    """Have the work on frames done in threads of the test's own process, where it can be watched and changed."""
    for where in ("runner", "ingest.in_worker", "review.folder"):
        monkeypatch.setattr(f"kitgauge.{where}.start_workers", lambda workers, _modules: ThreadPoolExecutor(workers))


@pytest.fixture
def breaking_decoder(monkeypatch) -> Iterator[str]:
    """Have worker processes decode with tests/breaking_decoder.py; yield the code that they start with."""
    start = worker_nursery._START.replace("from kitgauge", "import breaking_decoder; from kitgauge", 1)
    monkeypatch.setattr(worker_nursery, "_START", start)
    monkeypatch.setattr(worker_nursery.Nursery, "_waiting", [])
    yield start
    while worker_nursery.Nursery._waiting:
        worker_nursery.Nursery._waiting.pop().close()
