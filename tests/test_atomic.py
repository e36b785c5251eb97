from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys

import pytest

from kitgauge.atomic import atomic_file, write_atomically
from kitgauge.errors import ResultsError


def test_writes_whole_files(tmp_path):
    path = tmp_path / "a.txt"
    write_atomically(path, "one\n")
    write_atomically(path, b"two\n")
    assert path.read_bytes() == b"two\n"
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


def test_new_files_have_ordinary_permissions(tmp_path):
    ordinary, ours = tmp_path / "ordinary", tmp_path / "ours"
    ordinary.write_text("x")
    write_atomically(ours, "x")
    assert ours.stat().st_mode == ordinary.stat().st_mode


def test_an_error_inside_the_block_leaves_the_old_file(tmp_path):
    path = tmp_path / "a.txt"
    write_atomically(path, "old")
    with pytest.raises(RuntimeError, match="stop"), atomic_file(path) as file:
        file.write(b"half")
        raise RuntimeError("stop")
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_a_full_disk_leaves_the_old_file_and_says_so(tmp_path, monkeypatch, call):
    path = tmp_path / "a.txt"
    write_atomically(path, "old")

    def full(*_arguments, **_options):
        raise OSError(errno.ENOSPC, "No space left on device")

    if call == "fsync":
        monkeypatch.setattr(os, "fsync", full)
    else:
        monkeypatch.setattr("pathlib.Path.replace", full)
    with pytest.raises(ResultsError, match="No space left on device"):
        write_atomically(path, "new")
    monkeypatch.undo()
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


def test_a_missing_folder_is_named(tmp_path):
    with pytest.raises(ResultsError, match="nowhere"):
        write_atomically(tmp_path / "nowhere" / "a.txt", "x")


def killed_while_writing(tmp_path, content: str) -> None:
    """Begin to replace a.txt in a process of its own, and kill that when the content is on its way to the disk."""
    code = (
        "import os, signal, sys\n"
        "from pathlib import Path\n"
        "from kitgauge.atomic import atomic_file\n"
        "with atomic_file(Path(sys.argv[1])) as file:\n"
        f"    file.write({content!r}.encode()); file.flush()\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path / "a.txt")], check=False)
    assert done.returncode == -signal.SIGKILL


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere a file has a name from the start")
def test_a_killed_process_leaves_the_old_file_and_no_half_one(tmp_path):
    write_atomically(tmp_path / "a.txt", "old")
    killed_while_writing(tmp_path, "half")
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {"a.txt": "old"}


def test_where_files_must_have_names_they_are_written_all_the_same(tmp_path, monkeypatch):
    from kitgauge import atomic

    monkeypatch.setattr(atomic, "_NAMELESS", None)
    write_atomically(tmp_path / "a.txt", "one")
    with pytest.raises(RuntimeError, match="stop"), atomic_file(tmp_path / "a.txt") as file:
        file.write(b"half")
        raise RuntimeError("stop")
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {"a.txt": "one"}


def test_long_and_odd_names(tmp_path):
    for name in ("x" * 250, "new\nline", "\u05d0" * 60, os.fsdecode(b"\xff.txt")):
        write_atomically(tmp_path / name, "one")
        assert (tmp_path / name).read_text() == "one"
    assert len(list(tmp_path.iterdir())) == 4
