"""Which files are frames, what opens as what, and which files belong together."""

from __future__ import annotations

import os
import sys
from datetime import datetime, timedelta

import numpy as np
import pytest
from PIL import Image

from kitgauge.errors import FrameError, IngestError
from kitgauge.frames.metadata import FrameSettings
from kitgauge.frames.opening import (
    RAW_SUFFIXES,
    RENDERED_SUFFIXES,
    FramePair,
    frame_paths,
    is_raw,
    open_frame,
    pair_up,
)


def picture(path):
    Image.fromarray(np.arange(256, dtype=np.uint8).reshape(16, 16)).save(path)
    return path


def test_listing(tmp_path, write_dng, noisy):
    (tmp_path / "b" / "inner").mkdir(parents=True)
    (tmp_path / "a.dng").mkdir()  # a folder by the name of a frame is a folder
    (tmp_path / ".hidden").mkdir()
    for name in ("b/2.JPG", "b/10.jpg", "a.dng/x.png", "b/inner/y.tif"):
        picture(tmp_path / name)
    for name in (".DS_Store", "._1.dng", "notes.txt", "README", "phone.heic", "side.xmp", ".hidden/z.dng"):
        (tmp_path / name).write_bytes(b"x")
    write_dng(noisy(), name="frame one.dng")
    listing = frame_paths(tmp_path)
    names = [path.relative_to(tmp_path).as_posix() for path in listing.frames]
    assert names == ["frame one.dng", "a.dng/x.png", "b/10.jpg", "b/2.JPG", "b/inner/y.tif"]
    assert listing.others == {
        ".hidden": "hidden folder",
        ".DS_Store": "hidden file",
        "._1.dng": "hidden file",
        "notes.txt": "not a frame by its name (.txt)",
        "README": "not a frame by its name (no suffix)",
        "phone.heic": "HEIC pictures are not opened: export them as TIFF or JPEG",
        "side.xmp": "not a frame by its name (.xmp)",
    }


def test_every_file_is_listed_once(tmp_path):
    for index, suffix in enumerate([*sorted(RAW_SUFFIXES | RENDERED_SUFFIXES), ".txt", "", ".zip"]):
        (tmp_path / f"{index}{suffix}").touch()
    listing = frame_paths(tmp_path)
    found = {path.name for path in listing.frames} | set(listing.others)
    assert found == {path.name for path in tmp_path.iterdir()}
    assert len(listing.frames) == len(RAW_SUFFIXES | RENDERED_SUFFIXES)  # empty ones too: opening tells


@pytest.mark.skipif(sys.platform == "win32", reason="needs links and pipes")
def test_links_and_pipes(tmp_path):
    folder = tmp_path / "frames"
    folder.mkdir()
    picture(folder / "1.png")
    (folder / "round").symlink_to(folder, target_is_directory=True)
    (folder / "broken.dng").symlink_to(tmp_path / "absent.dng")
    os.mkfifo(folder / "pipe.dng")
    listing = frame_paths(folder)
    assert [path.name for path in listing.frames] == ["1.png"]
    assert listing.others["round"] == "a link to a folder is not followed"
    assert listing.others["broken.dng"] == "not a regular file"
    assert listing.others["pipe.dng"] == "not a regular file"


def test_no_folder(tmp_path):
    with pytest.raises(IngestError, match="no such folder") as caught:
        frame_paths(tmp_path / "absent")
    assert caught.value.fix
    with pytest.raises(IngestError, match="a file, not a folder"):
        frame_paths(picture(tmp_path / "1.png"))


def test_folders_that_cannot_be_read(tmp_path, monkeypatch):
    (tmp_path / "locked").mkdir()
    picture(tmp_path / "1.png")
    real_scan = os.scandir

    def refuse(place):
        if str(place).endswith("locked"):
            raise PermissionError(13, "Permission denied", str(place))
        return real_scan(place)

    monkeypatch.setattr(os, "scandir", refuse)
    listing = frame_paths(tmp_path)
    assert len(listing.frames) == 1
    assert "Permission denied" in listing.others["locked"]
    with pytest.raises(IngestError, match="Permission denied"):
        frame_paths(tmp_path / "locked")


def test_is_raw(tmp_path, write_dng, noisy):
    assert is_raw("X.NEF")
    assert is_raw("X.Cr3")
    assert not is_raw("x.jpg")
    assert not is_raw(tmp_path / "absent.tif")
    assert is_raw(write_dng(noisy(), name="scan.tif"))  # sensor samples under a TIFF's name
    assert not is_raw(picture(tmp_path / "developed.tif"))


def test_open_frame_by_content(tmp_path, write_dng, noisy):
    samples = noisy()
    assert np.array_equal(open_frame(write_dng(samples)).samples, samples)
    assert np.array_equal(open_frame(write_dng(samples, name="scan.tif")).samples, samples)
    for suffix in (".jpg", ".png", ".tif"):
        assert open_frame(picture(tmp_path / f"developed{suffix}")).rendered
    picture(tmp_path / "developed.png").rename(tmp_path / "misnamed.jpg")
    assert open_frame(tmp_path / "misnamed.jpg").rendered


def test_open_frame_refusals(tmp_path):
    picture(tmp_path / "x.jpg").rename(tmp_path / "named.dng")
    (tmp_path / "text.dng").write_text("notes\n" * 100)
    (tmp_path / "text.txt").write_text("notes\n" * 100)
    (tmp_path / "phone.heic").write_bytes(b"\0\0\0\x18ftypheic" + bytes(100))
    (tmp_path / "empty.nef").touch()
    for name, words, flag in (
        ("named.dng", "holds a developed picture", "not-raw-samples"),
        ("text.dng", "cannot be decoded", "unreadable"),
        ("text.txt", "no picture that can be opened", "unreadable"),
        ("phone.heic", "export", "unreadable"),
        ("empty.nef", "empty", "unreadable"),
        ("absent.nef", "no such file", "unreadable"),
    ):
        with pytest.raises(FrameError, match=words) as caught:
            open_frame(tmp_path / name)
        assert caught.value.flag == flag
        assert caught.value.fix


# --- pairs
# -----------------------------------------------------------------------------------------------------------

NOON = datetime(2024, 5, 6, 12)


def reader(times):
    """Return a stand-in for read_settings with known times."""
    return lambda path: FrameSettings(path=path, taken_at=times.get(path.name))


def test_pairs_by_stem_and_time(tmp_path):
    paths = [tmp_path / name for name in ("1.jpg", "1.NEF", "2.nef", "3.jpg", "4.nef", "4.JPG", "other/4.jpg")]
    times = {"4.nef": NOON, "4.JPG": NOON + timedelta(seconds=1), "1.NEF": NOON}
    pairs = pair_up(paths, reader(times))
    assert pairs == [
        FramePair(tmp_path / "1.NEF", tmp_path / "1.jpg"),
        FramePair(tmp_path / "2.nef"),
        FramePair(tmp_path / "3.jpg"),
        FramePair(tmp_path / "4.nef", tmp_path / "4.JPG"),
        FramePair(tmp_path / "other/4.jpg"),
    ]


def test_other_times_are_other_frames(tmp_path):
    paths = [tmp_path / "1.nef", tmp_path / "1.jpg"]
    pairs = pair_up(paths, reader({"1.nef": NOON, "1.jpg": NOON + timedelta(hours=1)}))
    assert pairs == [FramePair(paths[0]), FramePair(paths[1])]


def test_two_raws_of_a_stem_stay_apart(tmp_path):
    paths = [tmp_path / "1.nef", tmp_path / "1.dng", tmp_path / "1.jpg"]
    assert pair_up(paths, reader({})) == [FramePair(path) for path in paths]


def test_pairs_of_real_settings(tmp_path, write_dng, noisy):
    raw = write_dng(noisy(), name="1.dng", exif={36867: (2, "2024:05:06 12:00:00")})
    block = Image.Exif()
    block.get_ifd(34665)[36867] = "2024:05:06 12:00:01"
    developed = tmp_path / "1.jpg"
    Image.new("L", (8, 8)).save(developed, exif=block.tobytes())
    assert pair_up([raw, developed]) == [FramePair(raw, developed)]
    (tmp_path / "2.dng").touch()
    picture(tmp_path / "2.jpg")
    assert len(pair_up([tmp_path / "2.dng", tmp_path / "2.jpg"])) == 1
