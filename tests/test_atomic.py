from __future__ import annotations

import errno
import os

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
