"""A real folder being watched: the bell, the listing without it, a folder that goes and comes back."""

from __future__ import annotations

import shutil
import time

import pytest

from kitgauge.live import folder_watch
from kitgauge.live.folder_watch import FolderWatch, ends_in_zeros


@pytest.fixture
def watch(tmp_path):
    folder = tmp_path / "card"
    folder.mkdir()
    watched = FolderWatch(folder)
    yield watched
    watched.close()


def seconds_until_listed(watch: FolderWatch, name: str, most: float = 10.0) -> float:
    begun = time.monotonic()
    while time.monotonic() - begun < most:
        if watch.wait(0.5, arriving=False) and name in (watch.listing() or {}):
            return time.monotonic() - begun
    raise AssertionError(f"{name} was not seen within {most} s")


def test_a_new_file_rings(watch, monkeypatch):
    monkeypatch.setattr(folder_watch, "POLL_S", 30.0)  # the bell alone
    assert watch.listing() == {}
    time.sleep(0.3)  # until the system watches
    (watch.folder / "a.DNG").write_bytes(b"123")
    seconds = seconds_until_listed(watch, "a.DNG")
    print(f"told by the system after {seconds:.2f} s")
    (found,) = watch.listing().values()
    assert found.size == 3


def test_a_folder_without_notices_is_listed_now_and_then(watch, monkeypatch):
    monkeypatch.setattr(folder_watch, "_ring", lambda *_arguments: None)
    assert watch.listing() == {}
    (watch.folder / "sub").mkdir()
    (watch.folder / "sub" / "a.DNG").write_bytes(b"123")
    seconds_until_listed(watch, "sub/a.DNG")


def test_names_of_copiers_are_no_frames(watch):
    for name in ("a.DNG.part", "b.tmp", ".c.DNG.x7Hq", "d.crdownload", "._e.DNG", "f.DNG~", "~$g.DNG.tmp"):
        (watch.folder / name).write_bytes(b"123")
    assert watch.listing() == {}
    (watch.folder / "a.DNG.part").rename(watch.folder / "a.DNG")
    assert list(watch.listing()) == ["a.DNG"]


def test_a_folder_that_goes_and_comes_back_rings_again(watch, monkeypatch):
    monkeypatch.setattr(folder_watch, "POLL_S", 0.3)
    assert watch.listing() == {}
    shutil.rmtree(watch.folder)
    assert watch.listing() is None
    watch.folder.mkdir()
    assert watch.listing() == {}
    monkeypatch.setattr(folder_watch, "POLL_S", 30.0)
    time.sleep(0.3)
    (watch.folder / "a.DNG").write_bytes(b"123")
    seconds_until_listed(watch, "a.DNG")


def test_a_folder_that_is_a_link(watch, tmp_path, monkeypatch):
    monkeypatch.setattr(folder_watch, "POLL_S", 0.3)
    link = tmp_path / "link"
    link.symlink_to(watch.folder, target_is_directory=True)
    linked = FolderWatch(link)
    try:
        assert linked.listing() == {}
        (watch.folder / "a.DNG").write_bytes(b"123")
        seconds_until_listed(linked, "a.DNG")
    finally:
        linked.close()


@pytest.mark.parametrize(
    ("content", "blank"),
    [(b"", False), (b"\0" * 10, True), (b"x" + b"\0" * 9999, True), (b"\0" * 9999 + b"x", False), (b"x\0\0", False)],
)
def test_a_blank_end_is_seen(tmp_path, content, blank):
    (tmp_path / "a").write_bytes(content)
    assert ends_in_zeros(tmp_path / "a") is blank
    assert not ends_in_zeros(tmp_path / "b")
