"""What a sharpness run says about its frames, from measurements made by hand: no frame is opened."""

import io
import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.record import FrameRecord
from kitgauge.limits.criteria import Criteria
from kitgauge.measure.edges.edge_candidate import candidate_from_line
from kitgauge.measure.edges.edge_measurement import EdgeColour, EdgeMeasurement
from kitgauge.protocol.loading import load_protocol
from kitgauge.runs.context import Kit, RunContext
from kitgauge.runs.files import arrays_content, to_json
from kitgauge.runs.sharpness import conclude

NOTHING = np.empty(0)
FREQUENCY = np.linspace(0.0, 1.0, 101)
NORMALS = {"left": (-1.0, 0.0), "right": (1.0, 0.0), "top": (0.0, -1.0), "bottom": (0.0, 1.0)}
F_NUMBERS = (2.8, 4.0, 5.6, 8.0, 11.0)


def edge(x: float, y: float, side: str, mtf50: float) -> dict:
    normal = NORMALS[side]
    x, y = x + 70 * normal[0], y + 70 * normal[1]
    dx, dy = (0.0, 60.0) if normal[1] == 0 else (60.0, 0.0)
    candidate = candidate_from_line(x - dx, y - dy, x + dx, y + dy, normal, 40.0, int(x + y), side)
    made = EdgeMeasurement(
        candidate=candidate, orientation=candidate.orientation, group=0, x_px=x, y_px=y, angle_deg=5.0,
        length_px=120.0, mtf50_cy_per_px=mtf50, mtf50_stderr=0.003 * mtf50, dark_dn=500.0, bright_dn=2000.0, snr=80.0,
        blur_px=2.0, edge_offset_px=0.0, edge_offset_stderr=0.01, bow_px=0.0, position_px=NOTHING, esf=NOTHING,
        esf_stderr=NOTHING, frequency_cy_per_px=NOTHING, mtf=NOTHING, mtf_stderr=NOTHING,
    )  # fmt: skip
    mtf = np.exp(-math.log(2.0) * (FREQUENCY / mtf50) ** 2)
    colours = (EdgeColour("R", 0.0005 * (x - 1500) * normal[0] + 0.0005 * (y - 1000) * normal[1], 0.01, mtf50, 0.001),)
    return replace(
        made, frequency_cy_per_px=FREQUENCY, mtf=mtf, mtf_stderr=np.full(FREQUENCY.size, 0.01), colours=colours
    ).as_dict()


def sweep(tmp_path: Path, shaken: str = "", flags: tuple[str, ...] = (), target: list | None = None):
    """Two frames per f-number of a patch in the centre; the vertical edges of the frame `shaken` are 30 % softer."""
    records, results = [], {}
    for number, f_number in enumerate(n for n in F_NUMBERS for _ in range(2)):
        file = f"E{number}.dng"
        level = 0.3 * math.exp(-0.02 * (2.0 * math.log2(f_number / 5.0)) ** 2) * (1.0 + 0.002 * (-1) ** number)
        soft = {"left": 0.7, "right": 0.7} if file == shaken else {}
        records.append(FrameRecord(file, tmp_path / file, f_number=f_number).used("edge", f"f/{f_number:g}"))
        edges = [edge(1500, 1000, side, level * soft.get(side, 1.0)) for side in NORMALS]
        results[file] = {
            "shape": [2000, 3000],
            "flags": list(flags),
            "edges": edges,
            "unusable": [],
            "target": target or [],
        }
    kit = Kit("kit", "body", None, "a 50 mm lens", 50.0, None, 4.0, "given", bool(flags))
    context = RunContext(
        protocol=load_protocol("aperture-sweep").protocol, records=tuple(records), kit=kit, criteria=Criteria(),
        technique=None, cache=MeasurementCache(None), executor=ThreadPoolExecutor(1), workers=1,
        tell=lambda *_: None, expect=lambda *_: None,
    )  # fmt: skip
    return conclude(context, results)


def test_a_shaken_frame_is_flagged_and_asked_for_again(tmp_path) -> None:
    section = sweep(tmp_path, shaken="E5.dng")
    assert [r.file for r in section.records if "softer-than-its-twin" in r.flags] == ["E5.dng"]
    assert all(record.status == "used" for record in section.records)
    (note,) = section.notes
    assert "E5.dng is 30 % softer in vertical edges than another frame at f/5.6: shoot it again" in note
    flagged = [p for p in section.curves["sharpness"]["points"] if "softer-than-its-twin" in p["flags"]]
    assert [(p["f_number"], p["orientation"]) for p in flagged] == [(5.6, "vertical")]


def test_steady_frames_are_not_flagged(tmp_path) -> None:
    section = sweep(tmp_path)
    assert section.notes == ()
    assert all(record.flags == () for record in section.records)


@pytest.mark.parametrize("flags", [("rendered",), ()])
def test_developed_frames_mark_points_fit_and_limits(tmp_path, flags) -> None:
    section = sweep(tmp_path, flags=flags)
    sharpness = section.curves["sharpness"]
    said = [point["flags"] for point in sharpness["points"]]
    said += [fit["flags"] for fit in sharpness["fit"].values()] + [list(limit.flags) for limit in section.limits]
    assert len(said) == 11 + len(section.limits) and section.limits
    assert all(("rendered" in own) == bool(flags) for own in said)
    assert all(("this picture style only" in limit.text) == bool(flags) for limit in section.limits)


def test_curves_of_all_points_go_to_a_file_of_arrays(tmp_path) -> None:
    section = sweep(tmp_path)
    sharpness = section.curves["sharpness"]
    (name,) = section.arrays
    assert sharpness["curves_file"] == name == "mtf_curves.npz"
    with np.load(io.BytesIO(arrays_content(section.arrays[name])), allow_pickle=False) as arrays:
        count = len(sharpness["points"])
        assert arrays["mtf"].shape == arrays["mtf_stderr"].shape == (count, FREQUENCY.size)
        assert arrays["f_number"].tolist() == [point["f_number"] for point in sharpness["points"]]
        assert arrays["orientation"].tolist() == [point["orientation"] for point in sharpness["points"]]
        for row, point in zip(arrays["mtf"], sharpness["points"], strict=True):
            at = np.interp(point["mtf50_cy_per_px"], arrays["frequency_cy_per_px"], row)
            assert at == pytest.approx(0.5, abs=0.002)
            assert np.interp(0.25, arrays["frequency_cy_per_px"], row) == pytest.approx(point["mtf_half_nyquist"])
    assert '"curve"' not in to_json(sharpness["points"])
    assert to_json(section.curves)  # all of it has a JSON form


def test_the_markers_tell_the_f_number_that_acts(tmp_path) -> None:
    """A scale of 12.5 px per mm at 4 um is a magnification of 1/20."""
    assert sweep(tmp_path).curves["sharpness"]["target"] is None
    sheet = {"sheet": 1, "px_per_mm": 12.5, "tilt_x_deg": 0.4, "tilt_x_stderr_deg": 0.1, "tilt_y_deg": None}
    target = sweep(tmp_path, target=[sheet]).curves["sharpness"]["target"]
    assert target["magnification"] == pytest.approx(0.05)
    assert target["tilt_x_deg"] == pytest.approx(0.4)
    assert math.isnan(target["tilt_y_deg"])
