import math
from dataclasses import replace

import numpy as np
import pytest

from kitgauge.fit.sharpness.sharpness_points import combine_edges, softer_frames
from kitgauge.fit.sharpness.sharpness_series import region_series
from kitgauge.measure.edges.edge_candidate import candidate_from_line
from kitgauge.measure.edges.edge_sfr import EdgeMeasurement

SHAPE = (2000, 3000)
NOTHING = np.empty(0)


def edge(x: float, y: float, mtf50: float, error: float, group: int, side: str = "left", flags=()) -> EdgeMeasurement:
    normal = {"left": (-1.0, 0.0), "right": (1.0, 0.0), "top": (0.0, -1.0), "bottom": (0.0, 1.0)}[side]
    dx, dy = (0.0, 60.0) if normal[1] == 0 else (60.0, 0.0)
    candidate = candidate_from_line(x - dx, y - dy, x + dx, y + dy, normal, 40.0, group, side)
    return EdgeMeasurement(
        candidate=candidate, orientation=candidate.orientation, group=group, x_px=x, y_px=y, angle_deg=5.0,
        length_px=120.0, mtf50_cy_per_px=mtf50, mtf50_stderr=error, dark_dn=500.0, bright_dn=2000.0, snr=80.0,
        blur_px=2.0, edge_offset_px=0.0, edge_offset_stderr=0.01, bow_px=0.0, position_px=NOTHING, esf=NOTHING,
        esf_stderr=NOTHING, frequency_cy_per_px=NOTHING, mtf=NOTHING, mtf_stderr=NOTHING, flags=tuple(flags),
    )  # fmt: skip


def patch(x: float, y: float, group: int, values: dict[str, float], error: float = 0.01) -> list[EdgeMeasurement]:
    places = {"left": (x - 70, y), "right": (x + 70, y), "top": (x, y - 70), "bottom": (x, y + 70)}
    return [edge(*places[side], value, error * value, group, side) for side, value in values.items()]


def test_one_point_per_patch_and_direction() -> None:
    sides = {"left": 0.30, "right": 0.32, "top": 0.28, "bottom": 0.28}
    frames = [
        [*patch(1500, 1000, 0, sides), *patch(300, 200, 1, sides)],
        # the numbers of groups are not the same in every frame, and the tripod moved a little
        [*patch(303, 202, 0, sides), *patch(1503, 1002, 1, sides)],
    ]
    points = combine_edges(frames, 4.0, SHAPE)
    assert {(p.region, p.orientation) for p in points} == {
        ("centre", "vertical"), ("centre", "horizontal"), ("top-left", "vertical"), ("top-left", "horizontal"),
    }  # fmt: skip
    centre = next(p for p in points if p.region == "centre" and p.orientation == "vertical")
    assert centre.mtf50_cy_per_px == pytest.approx(0.31)
    assert centre.frames == 2
    assert centre.edges == 2
    assert centre.x_norm == pytest.approx(1500.5 / 3000, abs=0.001)
    assert centre.y_norm == pytest.approx(1000.5 / 2000, abs=0.001)
    # two edges in two frames, 1 % each, no scatter between frames: 0.31 * 1 % / sqrt(4)
    assert centre.mtf50_cy_per_px_stderr == pytest.approx(0.00155, rel=0.02)
    assert centre.flags == ()


def test_single_frame_is_flagged_and_its_repeatability_unknown() -> None:
    (point,) = combine_edges([patch(1500, 1000, 0, {"left": 0.3})], 4.0, SHAPE)
    assert point.flags == ("single-frame",)
    assert math.isnan(point.repeat_stderr)
    assert point.mtf50_cy_per_px_stderr == pytest.approx(0.003)


def test_refused_edges_do_not_count() -> None:
    frames = [[edge(1500, 1000, math.nan, math.nan, 0, flags=("edge-noisy",))]]
    assert combine_edges(frames, 4.0, SHAPE) == []
    assert combine_edges([], 4.0, SHAPE) == []


def test_an_edge_missing_in_one_frame_does_not_shift_the_mean() -> None:
    """The right edge is 20 % sharper; where one frame lacks it, the mean must not jump between frames."""
    both = patch(1500, 1000, 0, {"left": 0.30, "right": 0.36})
    one = patch(1500, 1000, 0, {"left": 0.30})
    (point,) = combine_edges([both, one, both], 4.0, SHAPE)
    assert point.mtf50_cy_per_px == pytest.approx(0.30)
    assert point.frames == 3


@pytest.mark.statistical
@pytest.mark.parametrize("focus_scatter", [0.0, 0.03])
@pytest.mark.parametrize("count", [2, 5])
def test_standard_error_with_and_without_focus_scatter(focus_scatter: float, count: int) -> None:
    """Truth 0.3; noise 1 %; each frame's focus moves all patches together. Pulls must scatter near 1."""
    rng = np.random.default_rng(7)
    pulls, naive = [], []
    for _ in range(300):
        frames = []
        for _ in range(count):
            focus = 1.0 + focus_scatter * rng.normal()
            frames.append(
                [
                    edge(x, 1000, 0.3 * focus * (1 + 0.01 * rng.normal()), 0.003, k)
                    for k, x in enumerate((300, 900, 1500, 2100))
                ]
            )
        for point in combine_edges(frames, 4.0, SHAPE)[:1]:
            pulls.append((point.mtf50_cy_per_px - 0.3) / point.mtf50_cy_per_px_stderr)
            naive.append((point.mtf50_cy_per_px - 0.3) / (0.003 / math.sqrt(count)))
    # the middle two thirds: an error from two frames has heavy tails (t with one degree of freedom)
    middle = 0.5 * (np.percentile(pulls, 84.1) - np.percentile(pulls, 15.9))
    assert 0.75 < middle < (1.9 if count == 2 and focus_scatter else 1.25)
    if focus_scatter:
        # noise alone, without what the frames show, would claim three times too much
        assert np.std(naive) > 2.5


def places(scale: dict[str, float], error: float = 0.005, seed: int = 0) -> list[EdgeMeasurement]:
    """Three patches with all four sides; `scale` multiplies the edges of a direction."""
    rng = np.random.default_rng(seed)
    edges: list[EdgeMeasurement] = []
    for group, (x, y) in enumerate([(400, 300), (1500, 1000), (2600, 1700)]):
        sides = {
            side: 0.3 * (1 + error * rng.normal()) * scale["vertical" if side in ("left", "right") else "horizontal"]
            for side in ("left", "right", "top", "bottom")
        }
        edges += patch(x, y, group, sides, error)
    return edges


STILL = {"vertical": 1.0, "horizontal": 1.0}


def test_a_shaken_frame_is_named() -> None:
    frames = [places(STILL, seed=1), places({"vertical": 0.8, "horizontal": 0.98}, seed=2), places(STILL, seed=3)]
    (found,) = softer_frames(frames)
    assert (found.frame, found.orientation) == (1, "vertical")
    assert found.softer == pytest.approx(0.2, abs=0.02)
    assert found.z < -20


def test_shake_widens_the_errors_of_its_own_direction_only() -> None:
    points = combine_edges([places(STILL, seed=1), places({"vertical": 0.8, "horizontal": 1.0}, seed=2)], 4.0, SHAPE)
    for point in points:
        error = point.mtf50_cy_per_px_stderr / point.mtf50_cy_per_px
        if point.orientation == "vertical":
            # the mean of 1 and 0.8 is uncertain by half their difference
            assert error == pytest.approx(0.1 / 0.9, rel=0.2)
            assert "softer-than-its-twin" in point.flags
        else:
            assert error < 0.006
            assert point.flags == ()


@pytest.mark.statistical
def test_alike_frames_are_not_accused() -> None:
    """Neither noise nor a difference under 5 % makes a frame softer than its twin."""
    for seed in range(40):
        assert softer_frames([places(STILL, 0.02, seed), places(STILL, 0.02, 1000 + seed)]) == []
    assert softer_frames([places(STILL, 0.001), places({"vertical": 0.96, "horizontal": 1.0}, 0.001, 1)]) == []
    assert softer_frames([places(STILL)]) == [] == softer_frames([])


def test_flags_of_the_frames_reach_every_point() -> None:
    points = combine_edges([places(STILL), places(STILL, seed=1)], 4.0, SHAPE, flags=["rendered"])
    assert len(points) == 6
    assert all(point.flags == ("rendered",) for point in points)


FREQUENCY = np.linspace(0.0, 1.0, 101)


def with_curve(edge: EdgeMeasurement, error: float = 0.01) -> EdgeMeasurement:
    """The edge with an MTF exp(-ln 2 (nu / MTF50)^2), of one half at MTF50, known to `error`."""
    mtf = np.exp(-math.log(2.0) * (FREQUENCY / edge.mtf50_cy_per_px) ** 2)
    return replace(edge, frequency_cy_per_px=FREQUENCY, mtf=mtf, mtf_stderr=np.full(FREQUENCY.size, error))


def test_units_of_the_trade() -> None:
    """0.3 cycles/pixel at 4 um and 2000 rows: 75 line pairs per millimetre, 2 x 0.3 x 2000 line widths."""
    frames = [patch(1500, 1000, 0, {"left": 0.3, "right": 0.3})] * 2
    (point,) = combine_edges(frames, 4.0, SHAPE, pitch_um=4.0)
    assert point.lp_per_mm == pytest.approx(75.0)
    assert point.line_widths_per_picture_height == pytest.approx(1200.0)
    for value, error in (
        (point.lp_per_mm, point.lp_per_mm_stderr),
        (point.line_widths_per_picture_height, point.line_widths_per_picture_height_stderr),
    ):
        assert error / value == pytest.approx(point.mtf50_cy_per_px_stderr / point.mtf50_cy_per_px)
    (turned,) = combine_edges([patch(1000, 1500, 0, {"left": 0.3, "right": 0.3})] * 2, 4.0, (3000, 2000))
    assert turned.line_widths_per_picture_height == pytest.approx(1200.0)  # the camera held upright: the same
    assert math.isnan(turned.lp_per_mm)
    assert math.isnan(turned.mtf_half_nyquist) and turned.curve is None


def test_the_mean_curve_and_its_value_at_half_nyquist() -> None:
    """Edges of 0.25 and 0.35: at 0.25 cycles/pixel their MTF is 1/2 and exp(-ln 2 (5/7)^2)."""
    frames = [[with_curve(e) for e in patch(1500, 1000, 0, {"left": 0.25, "right": 0.35})] for _ in range(2)]
    (point,) = combine_edges(frames, 4.0, SHAPE)
    truth = 0.5 * (0.5 + 0.5 ** (25.0 / 49.0))
    assert point.mtf_half_nyquist == pytest.approx(truth, abs=2e-3)
    assert point.mtf_half_nyquist_stderr == pytest.approx(0.005, rel=0.02)  # four edges of 0.01
    assert point.curve is not None
    assert point.curve.mtf[0] == pytest.approx(1.0)
    assert "curve" not in point.as_dict()


def test_scatter_of_the_focus_widens_the_curve_where_it_moves_it() -> None:
    frames = [
        [with_curve(e) for e in patch(1500, 1000, 0, {"left": 0.3 * k, "right": 0.3 * k}, error=0.001)]
        for k in (0.9, 1.1)
    ]
    (point,) = combine_edges(frames, 4.0, SHAPE)
    assert point.curve is not None
    # MTF50 is uncertain by 10 % (half the difference of two): at 0.25 the slope nu MTF' is -2 ln 2 (nu/0.3)^2 MTF
    x = (0.25 / 0.3) ** 2
    moved = 2.0 * math.log(2.0) * x * 0.5**x * 0.1
    assert point.mtf_half_nyquist_stderr == pytest.approx(math.hypot(moved, 0.005), rel=0.1)
    assert point.curve.mtf_stderr[0] == pytest.approx(0.005, rel=0.01)


def placed(edges: list[EdgeMeasurement], place: str) -> list[EdgeMeasurement]:
    return [replace(e, candidate=replace(e.candidate, place=place)) for e in edges]


def test_places_named_by_the_markers_are_the_identity() -> None:
    """The camera was moved by two edge lengths: without names two patches, with names one; and never the wrong one."""
    sides = {"left": 0.30, "right": 0.30}
    frames = [patch(1500, 1000, 0, sides), patch(1740, 1000, 3, sides)]
    assert [p.frames for p in combine_edges(frames, 4.0, SHAPE)] == [1, 1]
    named = [placed(own, "sheet 1 square 2") for own in frames]
    (point,) = combine_edges(named, 4.0, SHAPE)
    assert (point.frames, point.place) == (2, "sheet 1 square 2")
    others = [placed(frames[0], "sheet 1 square 2"), placed(frames[0], "sheet 1 square 3")]
    assert [p.frames for p in combine_edges(others, 4.0, SHAPE)] == [1, 1]


def test_a_series_follows_the_name_of_the_place() -> None:
    made = []
    for number, n in enumerate((2.0, 4.0, 8.0)):
        frame = placed(patch(1200 + 300 * number, 1000, 0, {"left": 0.3, "right": 0.3}), "sheet 1 square 2")
        made += combine_edges([frame, frame], n, SHAPE)
    assert region_series("centre", made).patches == 1
    assert region_series("centre", [replace(point, place="") for point in made]).patches == 3


@pytest.mark.statistical
def test_the_scatter_of_the_print_is_seen() -> None:
    """Each edge is off by 2 % in all frames: two edges of a patch leave 1.4 % in their mean, whatever the frames."""
    rng = np.random.default_rng(3)
    scatter, clean = [], []
    for _ in range(40):
        off = {(k, s): 0.02 * rng.normal() for k in range(5) for s in ("left", "right")}

        def frames(size: float, off: dict = off) -> list[list[EdgeMeasurement]]:
            return [
                [
                    edge(300 + 550 * k + (70 if s == "right" else -70), 1000,
                         0.3 * (1 + size * off[k, s] + 0.005 * rng.normal()), 0.0015, k, s)
                    for k in range(5) for s in ("left", "right")
                ]
                for _ in range(3)
            ]  # fmt: skip

        scatter.append(combine_edges(frames(1.0), 4.0, SHAPE)[0].print_stderr / 0.3)
        clean.append(combine_edges(frames(0.0), 4.0, SHAPE)[0].print_stderr / 0.3)
    assert np.sqrt(np.mean(np.square(scatter))) == pytest.approx(0.02 / math.sqrt(2.0), rel=0.15)
    assert np.median(clean) < 0.003
