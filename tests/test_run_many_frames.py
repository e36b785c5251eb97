"""What a run keeps of very many frames: means of pairs with all of them in a file, few pictures, little per frame."""

from __future__ import annotations

import gc
import math
import pickle
import tracemalloc
from collections import Counter
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from kitgauge.frames.metadata import FrameSettings
from kitgauge.ingest import iso_group
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.scan import scan_of
from kitgauge.measure.noise import saturated_flats
from kitgauge.report.data import load_run
from kitgauge.report.plots_photon_transfer import photon_transfer_picture
from kitgauge.report.thumbnails import with_thumbnails
from kitgauge.report.troubles import Trouble
from kitgauge.runs import photon_transfer_rows as module
from kitgauge.runs.photon_transfer_rows import MOST_ROWS, PAIRS_FILE, photon_transfer


def row(channel, kind, level, variance, error, reason=""):
    return {
        "iso": 100.0, "channel": channel, "kind": kind, "level_dn": level, "variance_dn2": variance,
        "variance_stderr_dn2": error, "used": not reason, "reason": reason,
    }  # fmt: skip


@pytest.fixture
def rows_given(monkeypatch):
    def give(rows):
        monkeypatch.setattr(module, "photon_transfer_rows", lambda iso, _planes: [{**one, "iso": iso} for one in rows])

    return give


def test_rows_of_few_pairs_are_written_as_they_are(rows_given):
    rows = [row("G", "flat", 100.0 + n, 50.0, 1.0) for n in range(MOST_ROWS)]
    rows_given(rows)
    found = photon_transfer({100.0: [], 200.0: []})
    assert list(found.rows) == [{**one, "iso": iso} for iso in (100.0, 200.0) for one in rows]
    assert found.files() == {} and found.as_curves()["photon_transfer_file"] is None


def test_rows_of_many_pairs_are_means_of_one_level_and_every_pair_is_in_the_file(rows_given):
    dim = [row("G", "flat", 100.0, 50.0 + (n % 2), 3.0) for n in range(100)]
    bright = [row("G", "flat", 1000.0, 500.0, 30.0) for _ in range(25)]
    lost = [row("G", "flat", 1000.0, 9.0, 1.0, "clipped") for _ in range(4)]
    few = [row("R", "dark", 0.0, 4.0 + n, 0.5) for n in range(3)]
    given = [*dim, *bright, *lost, *few]
    rows_given(given)
    found = photon_transfer({100.0: []})
    assert list(found.rows[3:]) == few
    # the mean of n independent values, and its error: one of them over sqrt(n)
    assert found.rows[0] == {**dim[0], "variance_dn2": 50.5, "variance_stderr_dn2": pytest.approx(0.3), "pairs": 100}
    assert found.rows[1] == {**bright[0], "variance_stderr_dn2": pytest.approx(6.0), "pairs": 25}
    assert found.rows[2] == {**lost[0], "variance_stderr_dn2": pytest.approx(0.5), "pairs": 4}
    pairs = found.files()[PAIRS_FILE]
    assert found.as_curves()["photon_transfer_file"] == PAIRS_FILE
    for name in ("level_dn", "variance_dn2", "variance_stderr_dn2", "used"):
        assert pairs[name].tolist() == [one[name] for one in given]
    for name in ("channel", "kind", "reason"):
        assert pairs["words"][pairs[name]].tolist() == [one[name] for one in given]


def test_the_plot_says_that_a_mark_stands_for_many_pairs():
    flats = [{**row("G", "flat", 100.0, 50.0, 0.3), "pairs": 1250}, row("G", "flat", 200.0, 99.0, 3.0)]
    lost = [{**row("G", "flat", 300.0, 9.0, 1.0, "too bright"), "pairs": 7}]
    picture = photon_transfer_picture({"photon_transfer": [*flats, *lost], "points": []})
    assert picture is not None
    assert "up to 1250" in picture.caption and "photon_transfer.npz" in picture.caption
    assert "too bright (7)" in picture.caption
    few = photon_transfer_picture({"photon_transfer": flats[1:], "points": []})
    assert few is not None and "photon_transfer.npz" not in few.caption


def test_pairs_without_a_picture_of_their_own_are_counted():
    png = "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR4nGNgAAAAAgABSK+kcQAAAABJRU5ErkJggg=="
    shown = {"flags": ["flicker"], "png": png, "width_px": 1, "height_px": 1, "role": "flat", "colour": "G"}
    noise = {"pictures": [{**shown, "files": [f"{n}.dng", "b.dng"], "kind": "difference"} for n in range(3)]}
    for not_pictured, more in (({}, 0), ({"flicker": 90}, 90), ({"flicker": None}, 0)):
        troubles = [Trouble("flicker", "bands", "", "doubt", 93, "")]
        found, _ = with_thumbnails(troubles, [], {**noise, "not_pictured": not_pictured})
        assert len(found[0].thumbnails) == 3 and found[0].more_pictures == more


def test_a_group_keeps_a_few_pictures_of_each_flag(monkeypatch):
    group = iso_group._Group([])
    group.planes = [iso_group._Plane("G", 0.0, 1.0, "metadata")]
    made = Counter()

    class Picture:
        kind = "difference"

        def as_dict(self):
            return {"kind": "difference"}

    class Pair:
        files = ("a.dng", "b.dng")

        def planes(self):
            made["opened"] += 1
            samples = type("Plane", (), {"samples": np.zeros((2, 2))})
            return [(samples, np.zeros((2, 2)))]

    monkeypatch.setattr(iso_group, "explaining_pictures", lambda *_: [Picture()])
    for _ in range(100):
        group._explain(Pair(), [iso_group._Flagged(0.0, ("flicker",))], "flat")
    assert len(group.pictures) == made["opened"] == iso_group.MOST_PICTURES
    assert group.not_pictured == {"flicker": 100 - iso_group.MOST_PICTURES}
    group._explain(Pair(), [iso_group._Flagged(0.0, ("light-leak",))], "dark")  # another flag has its own
    assert len(group.pictures) == iso_group.MOST_PICTURES + 1


def test_low_flats_are_those_below_the_median_of_the_others():
    rng = np.random.default_rng(5)
    count = 300
    iso = rng.choice([100.0, 200.0, 800.0], count)
    seen = saturated_flats._Seen(
        plane=[(one, 0) for one in iso.tolist()],
        index=np.arange(count),
        iso=iso,
        signal_dn=rng.uniform(100, 1000, count).round(-2),  # many of one level
        k=iso / 100 * rng.choice([1.0, 0.9, 0.65, 0.2], count, p=[0.5, 0.3, 0.1, 0.1]),
        prnu=np.zeros(count),
        prnu_variance_stderr=np.zeros(count),
        falloff=np.ones(count),
    )
    wanted = []
    for one in range(count):
        others = (iso != iso[one]) | (seen.signal_dn < 0.95 * seen.signal_dn[one])
        if seen.k[one] < 0.7 * np.median(seen.k[others] * iso[one] / iso[others]):
            wanted.append(one)
    assert saturated_flats._low(seen) == wanted and 20 < len(wanted) < 100


def test_a_scanned_frame_takes_about_a_kilobyte():
    def read():
        for number in range(2000):
            path = Path("/frames") / f"IMG_{number:04d}.DNG"
            taken = datetime(2026, 5, 4) + timedelta(seconds=number)
            about = {
                "taken_at": taken, "body": "Sampler 8", "body_serial": "SIM-0001", "lens": "Sampler 35 mm f/1.8",
                "iso": 100.0, "shutter_s": 1 / 60, "f_number": 5.6, "focal_mm": 35.0, "focal_35mm": 52.5,
            }  # fmt: skip
            record = FrameRecord(path.name, path, sha256=f"{number:064d}", **about)
            missing = {"lens_serial": "the file records no lens serial number"}
            settings = FrameSettings(Path(path), **about, pixel_pitch_um=6.0, missing=missing)
            yield pickle.loads(pickle.dumps((record, settings)))  # as another process hands it over

    tracemalloc.start()
    try:
        before = tracemalloc.get_traced_memory()[0]
        scan = scan_of(Path("/frames"), read(), {})
        gc.collect()
        taken = tracemalloc.get_traced_memory()[0] - before
    finally:
        tracemalloc.stop()
    assert len(scan.frames) == len(scan.settings) == 2000
    assert scan.frames[7].lens is scan.frames[8].lens and scan.frames[7].path.name == "IMG_0007.DNG"
    assert scan.settings[scan.frames[7].path].missing is scan.settings[scan.frames[8].path].missing
    assert taken / 2000 < 1300  # twice as much without shared values


def test_rows_of_the_frames_table_are_read_whatever_their_length(tmp_path):
    (tmp_path / "run.json").write_text('{"schema": 1, "status": "partial"}')
    (tmp_path / "frames.csv").write_text(
        "file,iso,status,flags,reason\na.dng,100,used,clipped flicker,\n\nb.dng,200\nc.dng, 400 ,used,,odd,more\n"
    )
    first, second, third = load_run(tmp_path).frames
    assert first.flags == ("clipped", "flicker") and first.remarks == () and first.number("iso") == 100.0
    assert second.file == "b.dng" and second.status == "unknown" and second.values["reason"] == ""
    assert math.isnan(second.number("shutter_s")) and len(second.values) == 5
    assert third.number("iso") == 400.0 and third.remarks == ("odd",)
