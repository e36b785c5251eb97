from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

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


def test_several_files_change_together_or_not_at_all(tmp_path):
    """A limit on the size of files stands for a full disk: the writes are real, the second one fails."""
    code = (
        "import resource, signal, sys\n"
        "from pathlib import Path\n"
        "from kitgauge.atomic import write_together\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (3000, 3000))\n"
        "folder = Path(sys.argv[1])\n"
        "write_together({folder / 'a': 'new', folder / 'b': 'x' * int(sys.argv[2]), folder / 'c': 'new'})\n"
    )
    for name in "abc":
        write_atomically(tmp_path / name, "old")
    for size, expected in ((5000, ["old", "old", "old"]), (3, ["new", "xxx", "new"])):
        done = subprocess.run(
            [sys.executable, "-c", code, str(tmp_path), str(size)], capture_output=True, text=True, check=False
        )
        assert (done.returncode == 0) == (size == 3), done.stderr
        assert [(tmp_path / name).read_text() for name in "abc"] == expected
        assert len(list(tmp_path.iterdir())) == 3


def test_the_file_without_room_is_named(tmp_path, monkeypatch):
    from kitgauge import atomic

    real, calls = os.fsync, []

    def full(descriptor):
        calls.append(descriptor)
        if len(calls) == 2:
            raise OSError(errno.ENOSPC, "No space left on device")
        real(descriptor)

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(ResultsError, match="No space left") as raised:
        atomic.write_together({tmp_path / name: "x" for name in "abc"})
    assert raised.value.where == str(tmp_path / "b")
    assert list(tmp_path.iterdir()) == []


def test_ctrl_c_waits_until_all_files_are_in_their_places(tmp_path, monkeypatch):
    from kitgauge import atomic

    put = atomic._NewFile.put_in_place
    monkeypatch.setattr(atomic._NewFile, "put_in_place", lambda new: (os.kill(os.getpid(), signal.SIGINT), put(new)))
    with pytest.raises(KeyboardInterrupt):
        atomic.write_together({tmp_path / name: "new" for name in "abc"})
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a", "b", "c"]
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_or_a_device_is_not_replaced(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "link").symlink_to(tmp_path / "pipe")
    for name in ("pipe", "link"):
        with pytest.raises(ResultsError, match="ordinary file"):
            write_atomically(tmp_path / name, "x")
    assert (tmp_path / "pipe").is_fifo() and (tmp_path / "link").is_symlink()


@pytest.mark.parametrize("call", ["fsync", "fchmod"])
def test_a_disk_that_cannot_flush_or_has_no_permissions_is_written_all_the_same(tmp_path, monkeypatch, call):
    def not_there(*_arguments):
        raise OSError(errno.EINVAL, "Invalid argument")

    monkeypatch.setattr(os, call, not_there)
    write_atomically(tmp_path / "a.txt", "x")
    assert (tmp_path / "a.txt").read_text() == "x"


def test_what_was_left_behind_long_ago_is_removed_and_what_is_being_written_is_not(tmp_path, monkeypatch):
    from kitgauge import atomic

    monkeypatch.setattr(atomic, "_NAMELESS", None)
    old, fresh, other = (tmp_path / name for name in (".a.txt.1.part", ".a.txt.2.part", ".b.txt.3.part"))
    for path in (old, fresh, other):
        path.write_text("half")
    for path in (old, other):
        os.utime(path, (1_000_000_000, 1_000_000_000))
    write_atomically(tmp_path / "a.txt", "whole")
    assert {path.name for path in tmp_path.iterdir()} == {"a.txt", fresh.name, other.name}


@pytest.mark.skipif(sys.platform != "linux", reason="looks at /proc")
def test_the_names_of_new_folders_are_flushed_to_disk(tmp_path, monkeypatch):
    from kitgauge.atomic import make_folders

    flushed = []
    monkeypatch.setattr(os, "fsync", lambda number: flushed.append(str(Path(f"/proc/self/fd/{number}").readlink())))
    make_folders(tmp_path / "a" / "b")
    assert set(flushed) == {str(tmp_path), str(tmp_path / "a")}


def counted_up(folder, times: int) -> None:
    from kitgauge.atomic import alone_in

    for _ in range(times):
        with alone_in(folder), alone_in(folder):  # what one does there may call what does it as well
            number = int((folder / "count").read_text())
            time.sleep(0.001)
            write_atomically(folder / "count", str(number + 1), durable=False)


def test_who_is_alone_in_a_folder_loses_nothing_of_what_others_wrote(tmp_path):
    pytest.importorskip("fcntl")
    write_atomically(tmp_path / "count", "0")
    threads = [threading.Thread(target=counted_up, args=(tmp_path, 10)) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (tmp_path / "count").read_text() == "40"


def test_a_folder_is_free_when_the_process_that_was_alone_there_is_killed(tmp_path, monkeypatch):
    pytest.importorskip("fcntl")
    from kitgauge import atomic

    code = (
        "import sys, time\n"
        "from pathlib import Path\n"
        "from kitgauge.atomic import alone_in\n"
        "with alone_in(Path(sys.argv[1])):\n"
        "    print('in', flush=True); time.sleep(60)\n"
    )
    monkeypatch.setattr(atomic, "_LONGEST_WAIT_S", 0.1)
    with subprocess.Popen([sys.executable, "-c", code, str(tmp_path)], stdout=subprocess.PIPE) as other:
        assert other.stdout.readline() == b"in\n"
        with pytest.raises(ResultsError, match="another kitgauge is at work"), atomic.alone_in(tmp_path):
            pass
        other.kill()
        other.wait()
        with atomic.alone_in(tmp_path):
            pass


def test_a_folder_that_is_not_there_keeps_nobody_waiting(tmp_path):
    from kitgauge.atomic import alone_in

    with alone_in(tmp_path / "nowhere"):
        pass
    assert list(tmp_path.iterdir()) == []
