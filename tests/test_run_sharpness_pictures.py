"""What a sharpness run hands to its report: curves of the right frames, crops of one and the same edge, halos."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint
from kitgauge.ingest.record import FrameRecord
from kitgauge.measure.edges.edge_candidate import candidate_from_line
from kitgauge.measure.edges.edge_measurement import EdgeMeasurement
from kitgauge.runs.sharpness_pictures import sharpest_f_number, shown, worst_corner

SHAPE = (2000, 3000)
NOTHING = np.empty(0)
FREQUENCY = np.linspace(0.0, 1.0, 101)
NORMALS = {"left": (-1.0, 0.0), "top": (0.0, -1.0)}
F_NUMBERS = (2.8, 5.6, 11.0)
CENTRE, CORNER = (1500.0, 1000.0), (2800.0, 1850.0)


def edge(x: float, y: float, side: str, level: float, overshoot: float = 0.0) -> EdgeMeasurement:
    dx, dy = (0.0, 60.0) if side == "left" else (60.0, 0.0)
    candidate = candidate_from_line(x - dx, y - dy, x + dx, y + dy, NORMALS[side], 40.0, 0, side)
    return EdgeMeasurement(
        candidate=candidate, orientation=candidate.orientation, group=0, x_px=x, y_px=y, angle_deg=5.0,
        length_px=120.0, mtf50_cy_per_px=0.3 * level, mtf50_stderr=0.001, dark_dn=500.0, bright_dn=2000.0, snr=80.0,
        blur_px=2.0, edge_offset_px=0.0, edge_offset_stderr=0.01, bow_px=0.0, position_px=NOTHING, esf=NOTHING,
        esf_stderr=NOTHING, frequency_cy_per_px=FREQUENCY, mtf=level * (1.0 - FREQUENCY),
        mtf_stderr=np.full(101, 0.01), overshoot=overshoot, overshoot_stderr=0.001, undershoot=0.0,
        undershoot_stderr=0.001,
    )  # fmt: skip


def crop(x: float, y: float, side: str, region: str, png: str) -> dict:
    return {"region": region, "x_px": x, "y_px": y, "orientation": "vertical", "side": side, "place": "",
            "left_px": 0, "top_px": 0, "width_px": 96, "height_px": 96, "png": png}  # fmt: skip


def point(f_number: float, region: str, mtf50: float) -> SharpnessPoint:
    return SharpnessPoint(f_number, region, 0.5, 0.5, "vertical", "G", mtf50, 0.001, 2, 1, 0.0)


POINTS = [
    point(2.0**1.5, "centre", 0.2), point(2.0**2.5, "centre", 0.3), point(2.0**3.5, "centre", 0.25),
    *(point(f, c, v) for f in (2.0**1.5, 2.0**2.5) for c, v in (("top-left", 0.2), ("bottom-right", 0.1))),
    point(2.0**3.5, "top-left", 0.01),  # where the other corner was not measured: no comparison
]  # fmt: skip


def series(shift: float = 0.0):
    """Two frames per f-number; the second of f/5.6 is flagged soft, and the first of f/11 shows another corner edge."""
    records, results, edges = [], {}, {}
    for number, f_number in enumerate(n for n in F_NUMBERS for _ in range(2)):
        file = f"E{number}.dng"
        flags = ("softer-than-its-twin",) if number == 2 else ()
        record = FrameRecord(file, Path(file), f_number=f_number, shutter_s=0.01, iso=100.0, flags=flags)
        records.append(record.used("edge", f"f/{f_number:g}"))
        edges[file] = [
            edge(CENTRE[0] + shift * number, CENTRE[1], side, 0.8 if number % 2 else 0.9, overshoot=0.05)
            for side in NORMALS
        ]
        side = "top" if number == 4 else "left"
        results[file] = {
            "crop": [
                crop(CENTRE[0] + shift * number, CENTRE[1], "left", "centre", f"c{number}"),
                crop(*CORNER, side, "bottom-right", f"b{number}"),
            ]
        }
    return tuple(records), results, edges


def test_sharpest_and_worst_by_hand() -> None:
    assert sharpest_f_number(POINTS) == 2.0**2.5
    assert worst_corner(POINTS) == "bottom-right"
    assert worst_corner([point(4.0, "centre", 0.3)]) == ""


def test_mtf_of_the_widest_the_sharpest_and_the_smallest() -> None:
    records, results, edges = series()
    curves = shown(records, results, edges, POINTS, SHAPE)["mtf_curves"]
    assert [(c["f_number"], c["region"]) for c in curves] == [(2.8, "centre"), (5.6, "centre"), (11.0, "centre")]
    for curve in curves:
        assert curve["edges"] == 4 and curve["frequency_cy_per_px"][-1] == pytest.approx(0.5)
        assert curve["mtf"] == pytest.approx([0.85 * (1 - nu) for nu in curve["frequency_cy_per_px"]])
        # two edges of each of two directions, each 0.01
        assert curve["mtf_stderr"] == pytest.approx([0.01 / math.sqrt(4)] * 51)


def test_crops_show_one_edge_and_no_shaken_frame() -> None:
    records, results, edges = series(shift=2.0)
    crops = shown(records, results, edges, POINTS, SHAPE)["crops"]
    centre = {c["f_number"]: c["png"] for c in crops if c["region"] == "centre"}
    corner = {c["f_number"]: c["png"] for c in crops if c["region"] == "bottom-right"}
    assert centre == {2.8: "c0", 5.6: "c3", 11.0: "c4"}
    assert corner == {2.8: "b0", 5.6: "b3", 11.0: "b5"}
    assert all(c["shutter_s"] == 0.01 and c["iso"] == 100.0 for c in crops)


def test_an_edge_that_lies_elsewhere_is_not_shown_as_the_same() -> None:
    records, results, edges = series(shift=400.0)
    crops = shown(records, results, edges, POINTS, SHAPE)["crops"]
    assert len([c for c in crops if c["region"] == "centre"]) == 1


def test_halo_per_f_number_as_marked() -> None:
    records, results, edges = series()
    halo = shown(records, results, edges, POINTS, SHAPE)["halo"]
    assert [h["f_number"] for h in halo] == list(F_NUMBERS)
    assert all(h["overshoot"] == pytest.approx(0.05) and h["undershoot"] == 0 and h["edges"] == 4 for h in halo)
    assert all(h["plain"] is True for h in halo)


def test_frames_left_out_show_nothing() -> None:
    records, results, edges = series()
    out = tuple(record.unmatched("why") for record in records)
    nothing = {"mtf_curves": [], "crops": [], "halo": []}
    assert shown(out, results, edges, POINTS, SHAPE) == nothing
    assert shown(records, results, edges, [], SHAPE) == nothing
    assert shown(records, results, edges, POINTS, None) == nothing
