"""The target is found, known and placed under everything a photographer's frame does to it.

Truth comes from the pinhole camera of the simulated scene, written out in the other direction (sheet to frame).
"""

import json
import math

import cv2
import numpy as np
import pytest

from kitgauge.measure.edges.target_pose import (
    ExpectedEdge,
    SheetSeen,
    expected_edges,
    find_sheets,
    pose,
)
from kitgauge.simulate.sheet_scene import PinholeCamera, PlacedSheet, render_sheets, to_frame, turned
from kitgauge.target.layout import design_for, sheet_layout

SHAPE = (1200, 1800)
FOCAL_PX = 50 / 0.012  # 50 mm on pixels of 12 um: a frame of 21.6 x 14.4 mm
A4 = design_for(297.0, 210.0)


def a4(number=1, distance_mm=830.0, **place):
    return PlacedSheet(sheet_layout(A4, number), distance_mm, **place)


def reduced(light, block, snr=None, seed=1):
    """Return means over blocks, as ingest makes them, with the noise of single pixels (SNR on paper) averaged."""
    rng = np.random.default_rng(seed)
    frame = light
    if snr:
        # shot noise: the paper's SNR, less in the dark
        frame = frame + rng.standard_normal(light.shape, dtype=np.float32) * np.sqrt(np.maximum(light, 0)) / snr
    rows, columns = (size // block for size in light.shape)
    part = frame[: rows * block, : columns * block].reshape(rows, block, columns, block)
    return part.mean(axis=(1, 3), dtype=np.float32)


def true_tilts(placed):
    normal = turned(placed)[:, 2]
    return [math.degrees(math.atan2(-normal[k], normal[2])) for k in (0, 1)]


def edge_errors(seen, placed, camera):
    """Return the distance [px] of each expected edge's ends from where the camera puts them, whole edges only."""
    truth = {}
    for square in placed.sheet.squares:
        for side, ends in square.edges.items():
            truth[f"sheet {placed.sheet.number} square {square.number}", side] = to_frame(
                placed, camera, np.array(ends)
            )
    errors = []
    for edge in expected_edges(seen, camera.shape):
        ends = truth[edge.place, edge.side]
        if ((ends >= 0) & (ends <= (camera.shape[1] - 1, camera.shape[0] - 1))).all():
            errors += [math.hypot(*(ends[0] - (edge.x0, edge.y0))), math.hypot(*(ends[1] - (edge.x1, edge.y1)))]
    return errors


HAZARDS = {
    "plain": {},
    "turned 15 degrees": {"rotation_deg": 15.0, "distance_mm": 950.0},
    "turned -15 degrees": {"rotation_deg": -15.0, "distance_mm": 950.0},
    "camera on its side": {"rotation_deg": 90.0, "distance_mm": 1200.0},
    "upside down": {"rotation_deg": 180.0},
    "on its other side, askew": {"rotation_deg": -100.0, "distance_mm": 1300.0},
    "8 degrees askew": {"tilt_x_deg": 8.0, "tilt_y_deg": -8.0},
    "8 degrees the other way": {"tilt_x_deg": -8.0, "tilt_y_deg": 8.0, "rotation_deg": 4.0},
    "barrel": {"distortion": -0.03},
    "pincushion": {"distortion": 0.03},
    "two stops of uneven light": {"light_stops": 2.0},
    "30 % out on the right": {"x_mm": 121.0},
    "30 % out in a corner": {"x_mm": -81.0, "y_mm": 50.0},
    "blur circle of 12 px": {"disc_px": 12.0},
    "blur circle of 20 px": {"disc_px": 20.0},
    "SNR 10": {"snr": 10},
    "low contrast": {"ink": 0.5},
    "solid black": {"ink": 0.03},
    "small in the frame": {"distance_mm": 2600.0, "x_mm": 200.0, "y_mm": -100.0},
    "white wall": {"wall": 1.0},
    "black wall": {"wall": 0.02},
    "all at once": {
        "rotation_deg": 11.0, "tilt_x_deg": 6.0, "tilt_y_deg": 5.0, "distortion": 0.03, "light_stops": 2.0,
        "disc_px": 10.0, "snr": 10, "x_mm": 70.0, "y_mm": -20.0, "distance_mm": 900.0,
    },
}  # fmt: skip


@pytest.mark.parametrize("name", HAZARDS)
def test_found_and_placed(name):
    hazard = dict(HAZARDS[name])
    scene = {key: hazard.pop(key) for key in ("disc_px", "light_stops", "wall") if key in hazard}
    snr = hazard.pop("snr", None)
    camera = PinholeCamera(SHAPE, FOCAL_PX, distortion=hazard.pop("distortion", 0.0))
    placed = a4(**hazard)
    picture = reduced(render_sheets([placed], camera, finer=1, **scene), 2, snr)
    (seen,) = find_sheets(picture, 2, SHAPE)
    assert (seen.sheet, seen.copy, seen.design) == (1, 1, A4)
    inside = sum(
        ((ends > 8) & (ends < (SHAPE[1] - 9, SHAPE[0] - 9))).all()
        for marker in placed.sheet.markers
        for ends in [to_frame(placed, camera, np.array(marker.box.corners))]
    )
    assert seen.markers >= inside - (2 if "blur" in name or "once" in name else 0)
    errors = edge_errors(seen, placed, camera)
    # two pixels of the frame are one of the picture that was searched
    assert np.median(errors) < 0.35 and max(errors) < 1.5, (np.median(errors), max(errors))
    turn = (seen.rotation_deg - placed.rotation_deg + 180) % 360 - 180
    assert abs(turn) < 0.6  # perspective turns the sheet's axes in the picture by a little
    known = pose(seen, FOCAL_PX)
    for value, error, truth in zip(
        (known.tilt_x_deg, known.tilt_y_deg),
        (known.tilt_x_stderr_deg, known.tilt_y_stderr_deg),
        true_tilts(placed),
        strict=True,
    ):
        assert abs(value - truth) < 4.5 * error, (value, truth, error)
        assert error < (0.6 if placed.distance_mm > 2000 or scene.get("disc_px", 0) > 12 else 0.3)
    assert known.distance_mm == pytest.approx(placed.distance_mm, rel=0.01)
    if camera.distortion and "once" not in name:
        assert abs(seen.distortion - camera.distortion) < 4 * seen.distortion_stderr
        assert seen.distortion_stderr < 0.003


def test_the_share_out_of_the_frame_is_what_the_names_say():
    for name in ("30 % out on the right", "30 % out in a corner"):
        x, y = np.meshgrid(np.linspace(0, 297, 298), np.linspace(0, 210, 211))
        places = to_frame(a4(**HAZARDS[name]), PinholeCamera(SHAPE, FOCAL_PX), np.column_stack([x.ravel(), y.ravel()]))
        out = ((places < -0.5) | (places > (SHAPE[1] - 0.5, SHAPE[0] - 0.5))).any(axis=1)
        assert out.mean() == pytest.approx(0.3, abs=0.02)


def test_markers_are_read_where_reading_bit_by_bit_fails():
    # five sheets far away, markers of 21 px in the picture, a blur circle of one and a half modules
    camera = PinholeCamera((1600, 2400), FOCAL_PX * 4 / 3)
    places = [(0, 0), (-320, -205), (320, -205), (-320, 205), (320, 205)]
    sheets = [a4(number, 2200.0, x_mm=x, y_mm=y) for number, (x, y) in enumerate(places, start=1)]
    picture = reduced(render_sheets(sheets, camera, finer=1, disc_px=9.0), 2, 10)
    seen = find_sheets(picture, 2, camera.shape)
    assert sum(sheet.markers for sheet in seen) == 80
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000))
    _, codes, _ = detector.detectMarkers((255 * np.clip(picture, 0, 1) ** 0.5).astype(np.uint8))
    assert codes is None or len(codes) < 40


def test_edges_know_their_dark_side():
    camera = PinholeCamera(SHAPE, FOCAL_PX)
    placed = a4(rotation_deg=30.0, distance_mm=1200.0)
    light = render_sheets([placed], camera, finer=1)
    (seen,) = find_sheets(reduced(light, 2), 2, SHAPE)
    edges = expected_edges(seen, SHAPE)
    assert len(edges) == 36 and len({(edge.place, edge.side) for edge in edges}) == 36
    for edge in edges:
        assert isinstance(edge, ExpectedEdge) and edge.length_px > 60
        x, y = (edge.x0 + edge.x1) / 2, (edge.y0 + edge.y1) / 2
        bright = light[round(y + 6 * edge.normal_y), round(x + 6 * edge.normal_x)]
        dark = light[round(y - 6 * edge.normal_y), round(x - 6 * edge.normal_x)]
        assert bright > 3 * dark


def test_a_side_keeps_its_name_when_the_camera_is_turned():
    camera = PinholeCamera(SHAPE, FOCAL_PX)
    places = {}
    for turn in (0.0, 90.0):
        placed = a4(rotation_deg=turn, distance_mm=1200.0)
        (seen,) = find_sheets(reduced(render_sheets([placed], camera, finer=1), 2), 2, SHAPE)
        places[turn] = {(edge.place, edge.side): edge for edge in expected_edges(seen, SHAPE)}
    assert places[0.0].keys() == places[90.0].keys()
    upright, lying = (places[turn]["sheet 1 square 1", "top"] for turn in (0.0, 90.0))
    assert upright.normal_y < -0.9 and lying.normal_x > 0.9


def test_five_sheets_are_told_apart():
    camera = PinholeCamera((1600, 2400), FOCAL_PX * 4 / 3, distortion=-0.02)
    places = [(0, 0), (-400, -260), (400, -260), (-400, 260), (400, 260)]
    sheets = [a4(number, 2200.0, x_mm=x, y_mm=y, rotation_deg=x / 100) for number, (x, y) in enumerate(places, start=1)]
    picture = reduced(render_sheets(sheets, camera, finer=1), 2, 20)
    seen = find_sheets(picture, 2, camera.shape)
    assert sorted(sheet.sheet for sheet in seen) == [1, 2, 3, 4, 5]
    for sheet in seen:
        assert max(edge_errors(sheet, sheets[sheet.sheet - 1], camera)) < 1.0
    # each sheet has its own scale only by its place: the wall is flat
    assert np.ptp([pose(sheet, camera.focal_px).distance_mm for sheet in seen]) < 20
    assert abs(seen[0].distortion - camera.distortion) < 4 * seen[0].distortion_stderr


def test_a_second_target_in_view_does_not_confuse():
    camera = PinholeCamera(SHAPE, FOCAL_PX)
    large = a4(1, 1500.0, x_mm=-110.0, y_mm=-20.0)
    small = a4(1, 2300.0, x_mm=260.0, y_mm=120.0, rotation_deg=-12.0)
    picture = reduced(render_sheets([large, small], camera, finer=1), 2)
    first, second = find_sheets(picture, 2, SHAPE)
    assert (first.sheet, first.copy, second.sheet, second.copy) == (1, 1, 1, 2)
    assert first.px_per_mm > second.px_per_mm
    assert max(edge_errors(first, large, camera)) < 1.0
    assert expected_edges(second, SHAPE)[0].place == "sheet 1 copy 2 square 1"
    assert pose(second, FOCAL_PX).distance_mm == pytest.approx(2300, rel=0.01)


def test_five_prints_of_one_sheet_keep_their_names_from_frame_to_frame():
    camera = PinholeCamera((1200, 1800), FOCAL_PX)
    names = []
    for frame in range(3):
        rng = np.random.default_rng(frame)
        sheets = [
            a4(1, 2300.0 + float(rng.normal(0, 2)), x_mm=x + float(rng.normal(0, 1)), y_mm=y + float(rng.normal(0, 1)))
            for x, y in [(0, 0), (-330, -215), (330, -215), (-330, 215), (330, 215)]
        ]
        seen = find_sheets(reduced(render_sheets(sheets, camera, finer=1), 2, 20, frame), 2, camera.shape)
        names.append({sheet.name: (round(sheet.x_px / 50), round(sheet.y_px / 50)) for sheet in seen})
    assert set(names[0]) == {"sheet 1", *(f"sheet 1 copy {k}" for k in range(2, 6))}
    assert names[0] == names[1] == names[2]


def test_a_design_is_told_by_half_its_markers_with_one_hidden():
    design = design_for(1500.0, 1000.0)
    camera = PinholeCamera(SHAPE, FOCAL_PX)
    placed = PlacedSheet(sheet_layout(design, 1), 4000.0, x_mm=520.0)  # more than a third of it out of the frame
    light = render_sheets([placed], camera, finer=1)
    hidden = to_frame(placed, camera, np.array(sheet_layout(design, 1).markers[5].box.corners)).round().astype(int)
    light[hidden[0, 1] : hidden[2, 1], hidden[0, 0] : hidden[2, 0]] = 0.4  # something hangs before it
    (seen,) = find_sheets(reduced(light, 2), 2, SHAPE)
    assert seen.design == design and 5 not in seen.positions and seen.markers < 12
    assert max(edge_errors(seen, placed, camera)) < 1.0


@pytest.mark.parametrize(
    "size", [(1500.0, 1000.0, None), (210.0, 297.0, None), (297.0, 210.0, 20), (420.0, 297.0, None)]
)
def test_other_papers_and_squares_are_told_by_the_markers(size):
    design = design_for(*size)
    camera = PinholeCamera(SHAPE, FOCAL_PX)
    distance = 1.1 * FOCAL_PX * max(design.width_mm / SHAPE[1], design.height_mm / SHAPE[0])
    placed = PlacedSheet(sheet_layout(design, 1), distance, x_mm=0.2 * design.width_mm)
    (seen,) = find_sheets(reduced(render_sheets([placed], camera, finer=1), 2), 2, SHAPE)
    assert seen.design == design
    assert max(edge_errors(seen, placed, camera)) < 1.0


def test_another_design_beside_it_is_its_own_sheet():
    poster = PlacedSheet(sheet_layout(design_for(400.0, 250.0), 1), 2000.0, x_mm=-200.0)
    camera = PinholeCamera(SHAPE, FOCAL_PX)
    seen = find_sheets(reduced(render_sheets([poster, a4(1, 2000.0, x_mm=220.0)], camera, finer=1), 2), 2, SHAPE)
    assert {sheet.design for sheet in seen} == {design_for(400.0, 250.0), A4}
    assert all(abs(sheet.px_per_mm - FOCAL_PX / 2000) < 0.01 for sheet in seen)


def strange_picture(kind):
    rng = np.random.default_rng(5)
    if kind == "noise":
        return rng.uniform(0, 1, (600, 900)).astype(np.float32)
    if kind == "texture":
        return cv2.GaussianBlur(rng.uniform(0, 1, (600, 900)).astype(np.float32), (0, 0), 4)
    if kind == "black":
        return np.zeros((600, 900), dtype=np.float32)
    if kind == "tiny":
        return np.ones((8, 8), dtype=np.float32)
    if kind == "not a number":
        return np.full((600, 900), np.nan, dtype=np.float32)
    picture = np.ones((600, 900), dtype=np.float32)
    if kind == "squares":
        for y, x in np.ndindex(5, 8):
            picture[40 + 110 * y : 100 + 110 * y, 40 + 110 * x : 100 + 110 * x] = 0.25
        return picture
    dictionary = cv2.aruco.getPredefinedDictionary(
        cv2.aruco.DICT_6X6_250 if kind == "other markers" else cv2.aruco.DICT_5X5_1000
    )
    codes = rng.choice(240, 15, replace=False)
    for index, code in enumerate(codes):  # codes in any order make no sheet
        y, x = divmod(index, 5)
        picture[40 + 180 * y : 120 + 180 * y, 40 + 170 * x : 120 + 170 * x] = (
            cv2.aruco.generateImageMarker(dictionary, int(code), 80) / 255
        )
    return picture


@pytest.mark.parametrize(
    "kind", ["noise", "texture", "black", "tiny", "not a number", "squares", "other markers", "shuffled markers"]
)
def test_what_is_no_target_is_not_found(kind):
    assert find_sheets(strange_picture(kind), 2) == ()


def test_pictures_for_viewing_serve_too():
    camera = PinholeCamera(SHAPE, FOCAL_PX)
    light = reduced(render_sheets([a4()], camera, finer=1), 2)
    developed = np.round(255 * np.clip(light, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    (seen,) = find_sheets(developed, 2, SHAPE)
    assert max(edge_errors(seen, a4(), camera)) < 1.0


@pytest.mark.parametrize("block", [1, 2, 3, 4])
def test_coordinates_are_those_of_the_frame_at_any_reduction(block):
    camera = PinholeCamera(SHAPE, FOCAL_PX)
    placed = a4()
    (seen,) = find_sheets(reduced(render_sheets([placed], camera, finer=1), block), block, SHAPE)
    offsets = []
    for square in placed.sheet.squares:
        for ends in square.edges.values():
            offsets.append(seen.to_frame(np.array(ends)) - to_frame(placed, camera, np.array(ends)))
    assert np.abs(np.mean(offsets, axis=(0, 1))).max() < 0.06 * block


def test_it_goes_through_json_and_back():
    camera = PinholeCamera(SHAPE, FOCAL_PX, distortion=0.02)
    (seen,) = find_sheets(reduced(render_sheets([a4()], camera, finer=1), 2), 2, SHAPE)
    for sheet in (seen, pose(seen, FOCAL_PX)):
        values = json.loads(json.dumps(sheet.as_dict()))
        assert values["markers"] == 16
        assert SheetSeen.from_dict(values) == sheet
    assert seen.tilt_x_deg is None and seen.distance_mm is None


def test_distance_uses_the_image_distance_where_the_focal_length_is_known():
    # 1/s + 1/s' = 1/f: the frame's scale m = s'/s stands for s = f (1 + 1/m)
    focal_mm, pitch_mm, distance_mm = 50.0, 0.012, 830.0
    image_distance = 1 / (1 / focal_mm - 1 / distance_mm)
    camera = PinholeCamera(SHAPE, image_distance / pitch_mm)
    (seen,) = find_sheets(reduced(render_sheets([a4()], camera, finer=1), 2), 2, SHAPE)
    known = pose(seen, focal_mm / pitch_mm, focal_mm=focal_mm)
    assert known.distance_mm == pytest.approx(distance_mm, rel=2e-3)
    assert pose(seen, focal_mm / pitch_mm).distance_mm == pytest.approx(
        distance_mm * (1 - focal_mm / distance_mm), rel=3e-3
    )


@pytest.mark.parametrize("scale", [0.0, -1.0, float("nan")])
def test_impossible_scales_are_refused(scale):
    with pytest.raises(ValueError, match="scale_px"):
        find_sheets(np.ones((100, 100), dtype=np.float32), scale)
    with pytest.raises(ValueError, match="focal_px"):
        pose(SheetSeen.from_dict(SEEN), scale)


SEEN = {
    "sheet": 1, "copy": 1, "width_mm": 297.0, "height_mm": 210.0, "square_mm": 27, "frame_shape": [1200, 1800],
    "homography": [[5.0, 0, 150.0], [0, 5.0, 60.0], [0, 0, 1.0]], "positions": list(range(16)), "residual_px": 0.1,
    "rotation_deg": 0.0, "px_per_mm": 5.0, "x_px": 892.5, "y_px": 585.0,
}  # fmt: skip


@pytest.mark.statistical
def test_tilts_scatter_as_their_errors_say():
    camera = PinholeCamera((800, 1200), FOCAL_PX * 2 / 3)
    rng = np.random.default_rng(3)
    scores = []
    for seed in range(24):
        placed = a4(
            1,
            float(rng.uniform(900, 1500)),
            x_mm=float(rng.uniform(-30, 30)),
            y_mm=float(rng.uniform(-20, 20)),
            rotation_deg=float(rng.uniform(-8, 8)),
            tilt_x_deg=float(rng.uniform(-4, 4)),
            tilt_y_deg=float(rng.uniform(-4, 4)),
        )
        picture = reduced(render_sheets([placed], camera, finer=1, blur_px=1.0), 2, 25, seed)
        (seen,) = find_sheets(picture, 2, camera.shape)
        known = pose(seen, camera.focal_px)
        truth = true_tilts(placed)
        scores.append((known.tilt_x_deg - truth[0]) / known.tilt_x_stderr_deg)
        scores.append((known.tilt_y_deg - truth[1]) / known.tilt_y_stderr_deg)
    assert abs(np.mean(scores)) < 0.5
    assert 0.4 < np.std(scores) < 1.3
