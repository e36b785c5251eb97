"""Lateral colour from edge offsets: size, sign, and what the print must not do to it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from faulty_lens import PITCH_UM, SHAPE, Errors, FaultyLens, simulated
from scipy.optimize import curve_fit

from kitgauge.fit.sharpness.lateral_colour import lateral_colour, lateral_colour_findings
from kitgauge.fit.sharpness.sharpness_colours import ColourPoint

HALF = 0.5 * math.hypot(*SHAPE)


def colours(lens: FaultyLens, errors: Errors | None = None, seed: int = 0) -> list[ColourPoint]:
    return simulated(lens, errors, seed)[1]


@pytest.mark.parametrize(("corner_px", "word"), [(0.3, "larger"), (-0.4, "smaller")])
def test_size_sign_and_units(corner_px: float, word: str) -> None:
    fits = {f.channel: f for f in lateral_colour(colours(FaultyLens(lateral_px={"R": corner_px})), SHAPE, PITCH_UM)}
    red = fits["R"]
    assert red.corner_px == pytest.approx(corner_px, abs=0.03)
    assert red.outermost_px == pytest.approx(corner_px * red.outermost_radius, abs=0.015)
    assert red.outermost_um == pytest.approx(red.outermost_px * PITCH_UM)
    (finding,) = lateral_colour_findings(list(fits.values()))
    assert (finding.kind, finding.unit) == ("lateral-colour", "px")
    assert f"The red picture is {word} than the green one" in finding.text
    value, error, um = abs(red.outermost_px), red.outermost_px_stderr, abs(red.outermost_um)
    assert f" {value:.2f} ± {error:.2g} px ({um:.2g} micrometres) at the outermost place" in finding.text
    # the table of places: outwards at each of them, growing from the centre
    by_region = {place.region: place for place in red.places}
    assert len(by_region) == 9
    for region, x, y in (("top-left", -0.38, -0.35), ("right", 0.38, 0.0), ("bottom", 0.0, 0.35)):
        radius = math.hypot(x * SHAPE[1], y * SHAPE[0]) / HALF
        place = by_region[region]
        assert place.radial_px == pytest.approx(corner_px * radius, abs=4 * place.radial_px_stderr)
        assert place.tangential_px == pytest.approx(0.0, abs=4 * place.tangential_px_stderr)
    assert by_region["centre"].radial_px == pytest.approx(0.0, abs=0.05)


def test_inks_beside_one_another_are_no_lateral_colour() -> None:
    """The naive way, the mean outward shift at the right-hand side, takes a misplaced ink for lateral colour."""
    points = colours(FaultyLens(misregistered_px=(0.5, 0.2)))
    right = [p.offset_px * p.normal_x for p in points if p.region == "right" and p.channel == "R" and p.normal_x]
    assert np.mean(right) > 0.4
    fits = lateral_colour(points, SHAPE)
    assert lateral_colour_findings(fits) == []
    red = next(f for f in fits if f.channel == "R")
    assert red.parameters["shift_x"][0] == pytest.approx(0.5, abs=0.02)
    assert red.parameters["shift_y"][0] == pytest.approx(0.2, abs=0.02)


def test_edges_that_all_move_to_the_bright_side_are_no_lateral_colour() -> None:
    """A colour in which the ink is lighter, or softer, moves the half-level of every edge the same way."""
    points = [ColourPoint(**{**p.as_dict(), "offset_px": p.offset_px + 0.2}) for p in colours(FaultyLens())]
    fits = lateral_colour(points, SHAPE)
    assert lateral_colour_findings(fits) == []
    assert fits[0].parameters["towards_bright"][0] == pytest.approx(0.2, abs=0.01)


def test_another_route_gives_the_same() -> None:
    """scipy's curve_fit on every single offset: no averaging by edge, all weights alike."""
    points = [p for p in colours(FaultyLens(lateral_px={"R": 0.25, "B": -0.2})) if p.channel == "B"]
    x = np.array([(p.x_px - 0.5 * (SHAPE[1] - 1)) / HALF for p in points])
    y = np.array([(p.y_px - 0.5 * (SHAPE[0] - 1)) / HALF for p in points])
    nx, ny, offset = (np.array([getattr(p, k) for p in points]) for k in ("normal_x", "normal_y", "offset_px"))

    def shift(_: np.ndarray, cx: float, cy: float, g: float, k: float, k3: float) -> np.ndarray:
        return nx * cx + ny * cy + g + (nx * x + ny * y) * (k + k3 * (x * x + y * y))

    best, _ = curve_fit(shift, np.arange(x.size), offset, p0=np.zeros(5))
    fit = next(f for f in lateral_colour(points, SHAPE) if f.channel == "B")
    for (value, error), other in zip(fit.parameters.values(), best, strict=True):
        assert value == pytest.approx(other, abs=0.3 * error)


@pytest.mark.statistical
def test_errors_scatter_as_stated() -> None:
    """Noise of 0.03 px per edge and f-number rules over the least error of an edge: pulls near 1 / 1.2 (allowance)."""
    pulls = []
    for seed in range(60):
        for fit in lateral_colour(
            colours(FaultyLens(lateral_px={"R": 0.1, "B": 0.1}), Errors(offset_px=0.06), seed), SHAPE
        ):
            pulls.append((fit.outermost_px - 0.1 * fit.outermost_radius) / fit.outermost_px_stderr)
    assert 0.55 < np.std(pulls) < 1.1
    assert abs(np.mean(pulls)) < 0.3


def test_too_few_edges_tell_nothing() -> None:
    points = [p for p in colours(FaultyLens(lateral_px={"R": 0.3})) if p.region == "centre"]
    assert lateral_colour(points, SHAPE) == []
    assert lateral_colour([], SHAPE) == []
    flat = [p for p in colours(FaultyLens()) if p.orientation == "horizontal"]
    assert lateral_colour(flat, SHAPE) == []
