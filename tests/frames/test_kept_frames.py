"""Decoded frames that wait on disk: the same samples come back, a changed file is decoded, room is limited."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_kits import shots_of, small_kit

from kitgauge.frames import raw
from kitgauge.frames.kept_frames import KeptFrames, kept_or, room_for_frames
from kitgauge.frames.opening import open_frame
from kitgauge.simulate.shooting import shoot_protocol


@pytest.fixture(scope="module")
def frames(tmp_path_factory) -> list[Path]:
    folder = tmp_path_factory.mktemp("flats")
    return shoot_protocol(small_kit(), shots_of("noise-ladder", small_kit(), iso_max=100.0)[:1], folder, seed=2)


@pytest.fixture
def decoded(monkeypatch) -> list[str]:
    """The names of the files that are decoded, as it happens."""
    names: list[str] = []
    real = raw._mosaic

    def spy(rawpy, opened, path, *rest):
        names.append(path.name)
        return real(rawpy, opened, path, *rest)

    monkeypatch.setattr(raw, "_mosaic", spy)
    return names


@pytest.mark.parametrize("together", [False, True])
def test_a_frame_comes_back_as_it_was(frames, tmp_path, decoded, together):
    kept = KeptFrames(tmp_path, 10**8, frozenset(frames))
    first = kept.doing(lambda: open_frame(frames[0], together=together))
    again = kept.doing(lambda: open_frame(frames[0], together=together))
    assert decoded == [frames[0].name]
    plain = open_frame(frames[0], together=together)
    for one in (first, again):
        np.testing.assert_array_equal(one.samples, plain.samples)
        np.testing.assert_array_equal(one.black_dn, plain.black_dn)
        assert (one.pattern, one.white_dn, one.black_source) == (plain.pattern, plain.white_dn, plain.black_source)
        assert one.together is together
    again.samples[0, 0] += 1  # its own memory
    np.testing.assert_array_equal(kept.doing(lambda: open_frame(frames[0], together=together)).samples, plain.samples)


def test_only_what_is_needed_again_is_kept_and_it_can_be_let_go(frames, tmp_path, decoded):
    kept = KeptFrames(tmp_path, 10**8, frozenset(frames[:1]))
    for _ in range(2):
        for path in frames[:2]:
            kept.doing(lambda path=path: open_frame(path))
    assert decoded == [frames[0].name, frames[1].name, frames[1].name]
    kept.let_go()
    assert len(list(tmp_path.iterdir())) == 1
    replace(kept, again=frozenset()).let_go()
    assert list(tmp_path.iterdir()) == []


def test_another_content_under_the_same_name_is_decoded(frames, tmp_path):
    path = tmp_path / "a.DNG"
    path.write_bytes(frames[0].read_bytes())
    kept = KeptFrames(tmp_path / "kept", 10**8, frozenset([path]))
    kept.folder.mkdir()
    kept.doing(lambda: open_frame(path))
    path.write_bytes(frames[1].read_bytes())
    found = kept.doing(lambda: open_frame(path))
    np.testing.assert_array_equal(found.samples, open_frame(frames[1]).samples)


def test_the_oldest_make_room(tmp_path):
    files = [tmp_path / f"{number}.DNG" for number in range(3)]
    room = tmp_path / "kept"
    room.mkdir()
    kept = KeptFrames(room, 250_000, frozenset(files))
    calls: list[str] = []

    def decode(path: Path):
        calls.append(path.name)
        return np.full(50_000, len(calls), dtype=np.uint16)  # 100 kB

    for moment, path in enumerate(files):
        path.write_bytes(b"x")
        kept.doing(lambda path=path: kept_or(path, "samples", lambda: decode(path)))
        for file in room.iterdir():
            if file.stat().st_mtime > 1e6:
                os.utime(file, (moment, moment))
    assert sum(file.stat().st_size for file in room.iterdir()) <= 250_000
    for path in reversed(files):
        kept.doing(lambda path=path: kept_or(path, "samples", lambda: decode(path)))
    assert calls == ["0.DNG", "1.DNG", "2.DNG", "0.DNG"]


def test_without_room_every_frame_is_decoded(frames, tmp_path, decoded):
    kept = KeptFrames(tmp_path / "not there", 10**8, frozenset(frames))
    for _ in range(2):
        kept.doing(lambda: open_frame(frames[0]))
    small = KeptFrames(tmp_path, 1000, frozenset(frames))
    small.doing(lambda: open_frame(frames[0]))
    assert decoded == [frames[0].name] * 3 and list(tmp_path.iterdir()) == []


def test_room_is_given_back_and_that_of_killed_runs_is_cleared(tmp_path):
    old = tmp_path / "decoded-old"
    old.mkdir()
    os.utime(old, (1, 1))
    with room_for_frames(tmp_path) as kept:
        assert kept is not None and kept.folder.is_dir() and not old.exists()
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "a file").write_text("")
    with room_for_frames(tmp_path / "a file" / "cache") as none:
        assert none is None
