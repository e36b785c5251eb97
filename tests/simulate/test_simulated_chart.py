"""Rendered edges against closed forms, numerical integrals and a brute-force supersampled picture."""

import math
from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import ndtr

from kitgauge.simulate import chart as chart_module
from kitgauge.simulate.chart import (
    Chart,
    Pose,
    Square,
    grid_chart,
    group_chart,
    position_in_frame,
    render,
)
from kitgauge.simulate.chart_series import SampledPath, frequencies_of, motion_transfer
from kitgauge.simulate.dng import BAYER_RGGB, MONOCHROME, SIX_BY_SIX
from kitgauge.simulate.hands import uniform_path
from kitgauge.simulate.lens import Lens, diffraction_mtf

PITCH_UM = 6.0
NO_DIFFRACTION = MappingProxyType({"R": 1e-6, "G": 1e-6, "B": 1e-6})


def uniform_lens(sigma_px, wavelengths=None):
    """A lens of the same blur everywhere and in all colours."""
    return Lens(
        wavelength_um=wavelengths or Lens().wavelength_um,
        floor_um=(sigma_px * PITCH_UM, sigma_px * PITCH_UM),
        wide_open_um=(0.0, 0.0),
        colour_blur=MappingProxyType({"R": 1.0, "G": 1.0, "B": 1.0}),
        lateral_colour_px=MappingProxyType({"R": 0.0, "G": 0.0, "B": 0.0}),
    )


def one_square(tilt_deg=5.0, side_px=80.0, cell=160):
    return Chart((cell, cell), (cell, cell), (Square((cell - 1) / 2, (cell - 1) / 2, side_px, tilt_deg),), 4.0)


def shifted(square, pose):
    return replace(square, x_px=square.x_px + pose.x_px, y_px=square.y_px + pose.y_px)


def distance_inside_left_edge(square, rows, columns):
    """Signed distance [px] from the square's left edge, positive inside."""
    angle = math.radians(square.tilt_deg)
    return (columns - square.x_px) * math.cos(angle) + (rows - square.y_px) * math.sin(angle) + square.side_px / 2


@pytest.mark.parametrize("sigma_px", [0.4, 1.0, 3.0])
@pytest.mark.parametrize("tilt_deg", [2.0, 5.0, 12.0])
def test_edge_of_normal_blur_is_the_closed_form_edge_spread(sigma_px, tilt_deg):
    """Coverage = mean of Phi(distance / sigma) over the pixel, here by Gauss-Legendre quadrature."""
    chart, pose = one_square(tilt_deg), Pose(-0.2, 0.6)
    light = render(chart, MONOCHROME, uniform_lens(sigma_px, NO_DIFFRACTION), 8.0, PITCH_UM, pose=pose)
    square = shifted(chart.squares[0], pose)
    cover = (1 - light.astype(float)) / 0.75
    nodes, weights = np.polynomial.legendre.leggauss(12)
    rows, columns = np.mgrid[75:86, 22:60]  # at the middle of the left edge, 8 sigma from all corners
    expected = sum(
        wy * wx / 4 * ndtr(distance_inside_left_edge(square, rows + ny / 2, columns + nx / 2) / sigma_px)
        for ny, wy in zip(nodes, weights, strict=True)
        for nx, wx in zip(nodes, weights, strict=True)
    )
    assert np.abs(cover[75:86, 22:60] - expected).max() < 1e-5


@pytest.mark.parametrize("f_number", [4.0, 8.0, 22.6])
def test_edge_through_the_whole_lens_is_the_integral_of_its_mtf(f_number):
    """ESF(d) = 1/2 + integral of MTF(nu) sin(2 pi nu d)/(pi nu) (Fourier inversion for an infinite edge).

    The tolerance is the tail of the square's other sides and of its neighbours, (2/pi^3) lambda N/(pitch d),
    35 px away, on both sides.
    """
    lens, chart = uniform_lens(0.35), one_square()
    cover = (1 - render(chart, MONOCHROME, lens, f_number, PITCH_UM).astype(float)) / 0.75
    waves_px = 0.54 * f_number / PITCH_UM
    worst = 0.0
    for row, column in [(79, column) for column in range(32, 48)] + [(85, 38), (74, 41)]:
        d = float(distance_inside_left_edge(chart.squares[0], row, column))

        def spectrum(nu, d=d):
            mtf = lens.mtf(nu, f_number, PITCH_UM, angle_deg=5.0)
            return float(mtf) * 2 * d * np.sinc(2 * nu * d)

        expected = 0.5 + quad(spectrum, 0, 1 / waves_px, limit=200)[0]
        worst = max(worst, abs(cover[row, column] - expected))
    assert worst < 2 * (2 / math.pi**3) * waves_px / 35


def test_whole_square_agrees_with_a_supersampled_picture():
    """Independent route: the square drawn 24 times finer, filtered there by FFT, then point-sampled."""
    cell, fine, f_number, sigma_px = 60, 24, 11.0, 0.4
    chart, pose = one_square(side_px=28.0, cell=cell), Pose(-0.3, 0.9)
    square = shifted(chart.squares[0], pose)
    light = render(chart, MONOCHROME, uniform_lens(sigma_px), f_number, PITCH_UM, pose=pose)
    cover = (1 - light.astype(float)) / 0.75
    axis = (np.arange(cell * fine) + 0.5) / fine - 0.5
    x, y = axis[None, :] - square.x_px, axis[:, None] - square.y_px
    angle = math.radians(square.tilt_deg)
    along, across = x * math.cos(angle) + y * math.sin(angle), y * math.cos(angle) - x * math.sin(angle)
    # anti-aliased by the distance to the nearest side, in fine samples
    drawn = np.clip((14.0 - np.maximum(np.abs(along), np.abs(across))) * fine + 0.5, 0.0, 1.0)
    frequency = np.fft.fftfreq(cell * fine, 1 / fine)
    radius = np.hypot(frequency[:, None], frequency[None, :])
    transfer = (
        diffraction_mtf(radius, PITCH_UM / (0.54 * f_number))
        * np.exp(-2 * (np.pi * sigma_px * radius) ** 2)
        * np.sinc(frequency[:, None])
        * np.sinc(frequency[None, :])
    )
    # fine samples lie half a fine sample off the pixel centres
    phase = np.exp(2j * np.pi * frequency * (-0.5 / fine + 0.5))
    blurred = np.fft.ifft2(np.fft.fft2(drawn) * transfer * phase[:, None] * phase[None, :]).real[::fine, ::fine]
    assert np.abs(cover - blurred).max() < 3e-4


def test_a_finer_cut_of_the_series_changes_nothing(monkeypatch):
    chart = one_square()
    coarse = render(chart, MONOCHROME, uniform_lens(0.3), 2.8, PITCH_UM)
    monkeypatch.setattr(chart_module, "_NEGLIGIBLE", 1e-12)
    finer = render(chart, MONOCHROME, uniform_lens(0.3), 2.8, PITCH_UM)
    assert np.abs(coarse - finer).max() < 5e-6


@pytest.mark.parametrize(("length_px", "direction_deg"), [(7.0, 0.0), (23.0, 90.0), (11.0, 37.0), (150.0, 0.0)])
def test_uniform_motion_is_the_mean_of_still_pictures(length_px, direction_deg):
    chart, lens, angle = (
        grid_chart((90, 180), (1, 2), side_px=48.0),
        uniform_lens(0.5),
        math.radians(direction_deg),
    )
    moving = render(chart, MONOCHROME, lens, 8.0, PITCH_UM, path=uniform_path(length_px, direction_deg))
    steps = 6 * math.ceil(length_px)
    still = np.mean(
        [
            render(chart, MONOCHROME, lens, 8.0, PITCH_UM, pose=Pose(t * math.cos(angle), t * math.sin(angle)))
            for t in ((np.arange(steps) + 0.5) / steps - 0.5) * length_px
        ],
        axis=0,
    )
    assert np.abs(moving - still).max() < 1e-3  # the midpoint rule's own error at six steps a pixel


@pytest.mark.parametrize("length_px", [0.7, 12.0, 300.0])
def test_transfer_of_uniform_motion_is_a_sinc(length_px):
    """The Fourier transform of a uniform distribution of length L is sinc(nu L)."""
    frequencies = frequencies_of((64, 64), 1.5)
    transfer = motion_transfer(frequencies, uniform_path(length_px, 90.0))
    expected = np.sinc(frequencies.y_cy_per_px * length_px)[:, None]
    assert np.abs(transfer - expected).max() < 1e-5


def test_roll_is_the_mean_of_still_pictures_turned_and_shifted():
    """The long way round: one still picture per moment, each in the pose of that moment."""
    chart, lens = group_chart((480, 720), (1, 3), side_px=120.0), uniform_lens(1.0)
    time = (np.arange(24) + 0.5) / 24
    x, y, roll = 4.0 * time - 2.0, 3.0 * np.sin(5.0 * time), 12e-3 * (time**2 - time.mean())
    path = SampledPath(x, y, np.full(24, 1 / 24), roll)
    pose = Pose(2.0, -3.0, 0.7)
    at_once = render(chart, MONOCHROME, lens, 4.0, PITCH_UM, pose=pose, path=path)
    mean = np.zeros(chart.shape)
    for dx, dy, turn in zip(x, y, roll, strict=True):
        # shifts of the pose come after its turn, and the camera turns about the frame's middle
        c, s = math.cos(turn), math.sin(turn)
        shift = (2.0 * c + 3.0 * s + dx, 2.0 * s - 3.0 * c + dy)
        moment = Pose(*shift, 0.7 + math.degrees(turn))
        mean += render(chart, MONOCHROME, lens, 4.0, PITCH_UM, pose=moment) / 24
    assert np.abs(at_once - mean).max() < 3e-5
    unturned = render(chart, MONOCHROME, lens, 4.0, PITCH_UM, pose=pose, path=SampledPath(x, y, path.weight))
    assert np.abs(unturned - mean).max() > 0.01


def test_a_shift_by_whole_pixels_moves_the_picture():
    chart, lens = one_square(), uniform_lens(0.5)
    still = render(chart, MONOCHROME, lens, 8.0, PITCH_UM)
    moved = render(chart, MONOCHROME, lens, 8.0, PITCH_UM, pose=Pose(3.0, -5.0))
    assert np.abs(np.roll(still, (-5, 3), (0, 1)) - moved).max() < 1e-5


def test_rotation_turns_the_whole_target_about_the_frame_centre():
    chart, lens = grid_chart((480, 480), (3, 3), side_px=80.0), uniform_lens(1.0, NO_DIFFRACTION)
    light = render(chart, MONOCHROME, lens, 8.0, PITCH_UM, pose=Pose(rotation_deg=2.0))
    weight = 1 - light[:160, 320:].astype(float)  # the top right square
    rows, columns = np.mgrid[:160, 320:480]
    x, y = (weight * columns).sum() / weight.sum() - 239.5, (weight * rows).sum() / weight.sum() - 239.5
    turn = math.radians(2.0)
    assert x == pytest.approx(160 * math.cos(turn) + 160 * math.sin(turn), abs=1e-3)
    assert y == pytest.approx(160 * math.sin(turn) - 160 * math.cos(turn), abs=1e-3)


def test_contrast_and_ground():
    light = render(one_square(), MONOCHROME, uniform_lens(0.5), 5.6, PITCH_UM)
    assert light[80, 80] == pytest.approx(0.25, abs=2e-3)
    assert light[0, 0] == pytest.approx(1.0, abs=2e-3)


def test_colours_are_displaced_away_from_the_centre():
    lateral = MappingProxyType({"R": 0.30, "G": 0.0, "B": -0.40})
    chart = grid_chart((480, 480), (3, 3), side_px=80.0)
    lens = replace(uniform_lens(0.8), lateral_colour_px=lateral)
    light = 1 - render(chart, BAYER_RGGB, lens, 8.0, PITCH_UM).astype(float)
    for (row, column), colour in (((0, 0), "R"), ((1, 1), "B"), ((0, 1), "G")):
        weight = light[320 + row : 480 : 2, 320 + column : 480 : 2]  # bottom right
        rows, columns = np.mgrid[320 + row : 480 : 2, 320 + column : 480 : 2]
        x, y = (weight * columns).sum() / weight.sum(), (weight * rows).sum() / weight.sum()
        part = (
            lateral[colour] * math.hypot(160, 160) / math.hypot(240, 240) / math.sqrt(2)
        )  # per axis, at 2/3 of the way
        assert x - 399.5 == pytest.approx(part, abs=0.01)
        assert y - 399.5 == pytest.approx(part, abs=0.01)


def test_each_pixel_is_rendered_in_its_own_colour():
    colours = MappingProxyType({"R": 3.0, "G": 1.0, "B": 0.5})
    chart = one_square()
    lens = replace(uniform_lens(0.6), colour_blur=colours)
    for pattern in (BAYER_RGGB, SIX_BY_SIX):
        mosaic = render(chart, pattern, lens, 8.0, PITCH_UM)
        for colour, factor in colours.items():
            wavelengths = MappingProxyType(dict.fromkeys("RGB", lens.wavelength_um[colour]))
            alone = render(chart, MONOCHROME, uniform_lens(0.6 * factor, wavelengths), 8.0, PITCH_UM)
            for row, names in enumerate(pattern):
                for column, name in enumerate(names):
                    if name[0] == colour:
                        place = slice(row, None, len(pattern)), slice(column, None, len(names))
                        assert np.abs(mosaic[place] - alone[place]).max() < 1e-5


def test_isolated_squares_equal_a_grid_beside_their_edges():
    """Beyond that, they differ by the diffraction tails of neighbours that are not there."""
    lens, shape, f_number = uniform_lens(0.4), (960, 960), 8.0
    groups = group_chart(shape, (3, 3), side_px=120.0)
    grid = grid_chart(shape, (3, 3), side_px=120.0)
    assert groups.squares == grid.squares
    tail = (2 / math.pi**3) * 0.54 * f_number / PITCH_UM / 60
    for path in (None, uniform_path(60.0, 20.0)):
        alone = render(groups, BAYER_RGGB, lens, f_number, PITCH_UM, pose=Pose(4.0, 3.0), path=path)
        among = render(grid, BAYER_RGGB, lens, f_number, PITCH_UM, pose=Pose(4.0, 3.0), path=path)
        assert np.abs(alone - among).max() < 8 * tail


def test_isolated_squares_may_reach_out_of_the_frame():
    lens = uniform_lens(0.4)
    chart = group_chart((600, 900), (5, 5), side_px=60.0)
    light = render(chart, MONOCHROME, lens, 8.0, PITCH_UM, path=uniform_path(300.0, 0.0))
    assert light.shape == (600, 900)
    # streaked over the left border: 300 px of motion spread 60 px of dark
    assert light[60, 20] == pytest.approx(1 - 0.75 * 60 / 300, abs=0.01)
    assert light.min() >= 0.25


def test_positions_run_from_minus_one_to_one():
    assert position_in_frame(Square(-0.5, 299.5, 10, 0), (300, 400)) == (-1.0, 1.0)
    assert position_in_frame(Square(199.5, 149.5, 10, 0), (300, 400)) == (0.0, 0.0)


def test_cells_that_do_not_fit_are_refused():
    with pytest.raises(ValueError, match="does not divide"):
        grid_chart((1000, 1500), (3, 5))
    with pytest.raises(ValueError, match="do not fit"):
        grid_chart((300, 500), (3, 5), side_px=90.0)


def test_weights_of_a_path_are_used():
    """All weight on one place is a still picture there."""
    chart, lens = one_square(), uniform_lens(0.5)
    path = SampledPath(np.array([0.0, 30.0]), np.array([0.0, -9.0]), np.array([0.0, 1.0]))
    moved = render(chart, MONOCHROME, lens, 8.0, PITCH_UM, path=path)
    still = render(chart, MONOCHROME, lens, 8.0, PITCH_UM, pose=Pose(30.0, -9.0))
    assert np.abs(moved - still).max() < 1e-5
