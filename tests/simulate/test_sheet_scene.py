"""The simulated sheet is where the camera's formulas put it, with areas counted exactly."""

import math

import numpy as np
import pytest

from kitgauge.simulate.sheet_scene import (
    PinholeCamera,
    PlacedSheet,
    _coverage,
    render_mosaic,
    render_sheets,
    to_frame,
)
from kitgauge.target.layout import design_for, sheet_layout

SHEET = sheet_layout(design_for(297.0, 210.0), 1)


def test_coverage_is_the_area_of_the_outline():
    # a triangle, its pixels' shares by hand: legs of 2 along the axes
    (triangle,) = [np.array([[1.0, 1.0], [3.0, 1.0], [1.0, 3.0]])]
    cover = np.abs(_coverage([triangle], (4, 4)))
    assert cover == pytest.approx(np.array([[0, 0, 0, 0], [0, 1, 0.5, 0], [0, 0.5, 0, 0], [0, 0, 0, 0]]), abs=1e-6)
    rng = np.random.default_rng(4)
    angles = np.sort(rng.uniform(0, 2 * np.pi, 9))
    polygon = np.column_stack([20 + 15 * np.cos(angles), 18 + 11 * np.sin(angles)])
    x, y = polygon.T
    shoelace = 0.5 * abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
    assert np.abs(_coverage([polygon], (40, 40))).sum() == pytest.approx(shoelace, rel=1e-6)
    # parts outside are cut off: the left half of a square
    square = np.array([[-2.0, 1.0], [2.0, 1.0], [2.0, 3.0], [-2.0, 3.0]])
    assert np.abs(_coverage([square], (5, 5))).sum() == pytest.approx(4.0)


def test_a_sheet_square_to_the_axis_is_scaled_by_the_magnification():
    camera = PinholeCamera((600, 900), 3000.0)
    placed = PlacedSheet(SHEET, 1500.0, x_mm=15.0, y_mm=-6.0)
    points = to_frame(placed, camera, np.array([[148.5, 105.0], [158.5, 105.0], [148.5, 100.0]]))
    assert points == pytest.approx(np.array([[449.5 + 30, 299.5 - 12], [499.5, 287.5], [479.5, 277.5]]))


def test_tilts_push_the_named_side_back():
    camera = PinholeCamera((600, 900), 3000.0)

    def width(x_mm, placed):
        ends = to_frame(placed, camera, np.array([[x_mm, 100.0], [x_mm, 110.0]]))
        return math.hypot(*(ends[1] - ends[0]))

    right = PlacedSheet(SHEET, 1500.0, tilt_x_deg=8.0)
    assert width(250.0, right) < width(50.0, right)
    low = PlacedSheet(SHEET, 1500.0, tilt_y_deg=8.0)
    top, bottom = (np.ptp(to_frame(low, camera, np.array([[100.0, y], [110.0, y]]))[:, 0]) for y in (20.0, 190.0))
    assert bottom < top
    # depth by hand: the right end goes back by sin(8 deg) of its distance from the middle
    x, _ = to_frame(right, camera, np.array([[248.5, 105.0]]))[0]
    assert x == pytest.approx(449.5 + 3000 * 100 * math.cos(math.radians(8)) / (1500 + 100 * math.sin(math.radians(8))))


def test_distortion_moves_the_corners_by_its_share():
    flat, bent = PinholeCamera((600, 900), 3000.0), PinholeCamera((600, 900), 3000.0, distortion=0.03)
    placed = PlacedSheet(SHEET, 1500.0)
    middle = np.array([449.5, 299.5])
    places = np.array([[20.0, 20.0], [150.0, 100.0], [280.0, 190.0]])
    straight, moved = (to_frame(placed, camera, places) - middle for camera in (flat, bent))
    rho = np.linalg.norm(straight, axis=1) / (0.5 * math.hypot(600, 900))
    assert np.linalg.norm(moved, axis=1) / np.linalg.norm(straight, axis=1) == pytest.approx(1 + 0.03 * rho**2)


@pytest.mark.parametrize("distortion", [0.0, -0.03])
@pytest.mark.parametrize("finer", [1, 2])
def test_edges_lie_where_they_should_to_hundredths_of_a_pixel(distortion, finer):
    camera = PinholeCamera((500, 700), 2400.0, distortion=distortion)
    placed = PlacedSheet(SHEET, 1100.0, rotation_deg=3.3, tilt_x_deg=2.0)
    light = render_sheets([placed], camera, blur_px=0.9, finer=finer)
    deviations = []
    for square in SHEET.squares:
        for side, (start, end) in square.edges.items():
            # along short pieces of the edge: the area under it in a window tells its place (integral of a step)
            for part in (0.3, 0.5, 0.7):
                here = np.array(start) + part * (np.array(end) - np.array(start))
                ((x, y),) = to_frame(placed, camera, here[None])
                if side in ("left", "right"):
                    first = round(x) - 8
                    row = round(y)
                    window = light[row, first : first + 17]
                    truth = _crossing(placed, camera, start, end, row, axis=1)
                else:
                    first = round(y) - 8
                    column = round(x)
                    window = light[first : first + 17, column]
                    truth = _crossing(placed, camera, start, end, column, axis=0)
                if side in ("right", "bottom"):
                    window = window[::-1]
                bright_pixels = float(((window - 0.25) / 0.75).sum())
                place = first - 0.5 + bright_pixels if side in ("left", "top") else first + 16.5 - bright_pixels
                deviations.append(place - truth)
    # the middle of a pixel row is met exactly by a straight edge; finite areas average it
    assert np.abs(deviations).max() < 0.01
    assert abs(np.mean(deviations)) < 0.002


def _crossing(placed, camera, start, end, line, axis):
    """Return where an edge crosses a row (axis 1) or a column (axis 0), by bisection on the camera's formulas."""
    low, high = 0.0, 1.0
    a, b = np.array(start), np.array(end)
    rising = to_frame(placed, camera, b[None])[0][axis] > to_frame(placed, camera, a[None])[0][axis]
    for _ in range(50):
        middle = 0.5 * (low + high)
        value = to_frame(placed, camera, (a + middle * (b - a))[None])[0][axis]
        if (value < line) == rising:
            low = middle
        else:
            high = middle
    return to_frame(placed, camera, (a + low * (b - a))[None])[0][1 - axis]


def test_light_falls_by_the_stops_asked_for():
    camera = PinholeCamera((300, 500), 600.0)
    light = render_sheets([], camera, wall=1.0, light_stops=2.0, light_direction_deg=0.0, finer=1)
    assert light[150, 0] / light[150, -1] == pytest.approx(4.0, rel=1e-5)
    assert np.ptp(light[:, 250]) == pytest.approx(0, abs=1e-6)


def test_a_blur_circle_widens_an_edge_by_its_diameter():
    camera = PinholeCamera((200, 300), 2400.0)
    placed = PlacedSheet(SHEET, 1100.0, x_mm=-148.5)  # the paper's right end in the middle of the frame
    # normal blur in both, so that sampling once per pixel does no harm to second moments
    sharp = render_sheets([placed], camera, blur_px=1.0, finer=2, wall=0.0)[100, 120:180]
    soft = render_sheets([placed], camera, blur_px=1.0, disc_px=12.0, finer=2, wall=0.0)[100, 120:180]

    def spread(row):
        lsf = -np.diff(row.astype(float))
        x = np.arange(lsf.size)
        return np.average((x - np.average(x, weights=lsf)) ** 2, weights=lsf)

    # second moment of a disc along one axis: diameter^2 / 16
    assert spread(soft) - spread(sharp) == pytest.approx(12.0**2 / 16, rel=0.01)


def test_lateral_colour_moves_red_and_blue():
    camera = PinholeCamera((400, 600), 2400.0, colour_scale=(1.002, 0.998))
    placed = PlacedSheet(SHEET, 1500.0)
    mosaic = render_mosaic([placed], camera, finer=1)
    green = render_sheets([placed], camera, finer=1)
    red = render_sheets([placed], camera, finer=1, scale=1.002)
    assert np.array_equal(mosaic[0::2, 1::2], green[0::2, 1::2])
    assert np.array_equal(mosaic[0::2, 0::2], red[0::2, 0::2])
    assert not np.array_equal(red, green)
