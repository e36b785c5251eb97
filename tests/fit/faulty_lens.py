"""A lens with known faults seen through a target of nine patches: points, colours and edges with known errors.

Truth: Goodman's diffraction (Introduction to Fourier Optics, ch. 6) x pixel sinc x a normal blur whose variances add
up; MTF50 by root finding. Nothing here comes from the code under test but the containers.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from scipy.optimize import brentq

from kitgauge.fit.sharpness.sharpness_colours import ColourPoint
from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint
from kitgauge.measure.edges.edge_candidate import candidate_from_line
from kitgauge.measure.edges.edge_measurement import EdgeColour, EdgeMeasurement

F_NUMBERS = (2.0**0.5, 2.0, 2.0**1.5, 4.0, 2.0**2.5, 8.0, 2.0**3.5, 16.0, 2.0**4.5)
PITCH_UM = 4.0
SHAPE = (4000, 6000)
WAVELENGTHS_UM = {"R": 0.60, "G": 0.55, "B": 0.46}
PLACES = {
    f"{row}{column}".strip("-") or "centre": (x, y)
    for row, y in (("top-", 0.15), ("", 0.5), ("bottom-", 0.85))
    for column, x in (("left", 0.12), ("", 0.5), ("right", 0.88))
}
BOTH = ("vertical", "horizontal")
SIDES = {"vertical": (("left", (-1.0, 0.0)), ("right", (1.0, 0.0))),
         "horizontal": (("top", (0.0, -1.0)), ("bottom", (0.0, 1.0)))}  # fmt: skip
_HALF_SIDE_PX = 70.0


@lru_cache(maxsize=100_000)
def mtf50(cutoff_px: float, variance_px: float) -> float:
    """Goodman ch. 6 x pixel x normal blur, solved for one half."""

    def excess(nu: float) -> float:
        s = min(cutoff_px * nu, 1.0)
        diffraction = 2.0 / math.pi * (math.acos(s) - s * math.sqrt(1.0 - s * s))
        return diffraction * float(np.sinc(nu)) * math.exp(-2.0 * math.pi**2 * variance_px * nu**2) - 0.5

    return float(brentq(excess, 1e-4, 0.95))


def centred(x_norm: float, y_norm: float) -> tuple[float, float]:
    """Coordinates from the centre in half diagonals."""
    half = 0.5 * math.hypot(*SHAPE)
    return (x_norm - 0.5) * SHAPE[1] / half, (y_norm - 0.5) * SHAPE[0] / half


def no_blur(_n: float, _x: float, _y: float, _orientation: str, _colour: str) -> float:
    return 0.0


@dataclass(frozen=True)
class FaultyLens:
    """Blur variances [px^2]: `floor`, `aberration`^2 / N^2, and `fault` (of f-number, x, y, direction, colour)."""

    floor: float = 0.2
    aberration: float = 1.6
    fault: Callable[[float, float, float, str, str], float] = no_blur
    factor: Callable[[float, str, str], float] = lambda _n, _region, _orientation: 1.0
    lateral_px: dict[str, float] = field(default_factory=dict)  # outward, at the corner
    misregistered_px: tuple[float, float] = (0.0, 0.0)  # the print's red ink against the others
    wavelengths_um: dict[str, float] = field(default_factory=lambda: dict(WAVELENGTHS_UM))
    places: dict[str, tuple[float, float]] = field(default_factory=lambda: dict(PLACES))  # where the sheets hang

    def mtf50(self, n: float, region: str, orientation: str, colour: str = "G") -> float:
        x, y = centred(*self.places[region])
        variance = self.floor + (self.aberration / n) ** 2 + self.fault(n, x, y, orientation, colour)
        cutoff = round(self.wavelengths_um[colour] * n / PITCH_UM, 9)
        return mtf50(cutoff, round(variance, 9)) * self.factor(n, region, orientation)


@dataclass(frozen=True)
class Errors:
    """Relative errors: noise of a point, share of it that is stated, and the print's, the same in all frames."""

    noise: float = 0.004
    stated: float = 1.0
    print_scatter: float = 0.0
    print_known: bool = False
    shake: float = 0.0  # of one direction at one f-number and frame
    offset_px: float = 0.01


def simulated(
    lens: FaultyLens,
    errors: Errors | None = None,
    seed: int = 0,
    f_numbers: tuple[float, ...] = F_NUMBERS,
    regions: tuple[str, ...] = tuple(PLACES),
) -> tuple[list[SharpnessPoint], list[ColourPoint]]:
    """Points (two frames, two edges each) and red and blue at each edge."""
    e = errors or Errors()
    rng = np.random.default_rng(seed)
    printed = {(r, o, s): e.print_scatter * rng.normal() for r in regions for o in BOTH for s in range(2)}
    points: list[SharpnessPoint] = []
    colours: list[ColourPoint] = []
    for n in f_numbers:
        shakes = {o: e.shake * np.abs(rng.normal(size=2)) for o in BOTH}
        for region in regions:
            for o in BOTH:
                rough = 0.5 * (printed[region, o, 0] + printed[region, o, 1])
                value = lens.mtf50(n, region, o) * (1.0 + rough + e.noise * rng.normal()) * (1.0 - shakes[o].mean())
                repeat = float(np.abs(np.diff(shakes[o])[0])) / 2.0
                stated = math.hypot(e.noise * e.stated, repeat) * value
                known = e.print_scatter / math.sqrt(2.0) * value if e.print_known else math.nan
                points.append(
                    SharpnessPoint(
                        n, region, *lens.places[region], o, "G", value, stated, 2, 2, repeat * value, print_stderr=known
                    )
                )
                colours += _colours(lens, e, n, region, o, rng)
    return points, colours


def _colours(lens: FaultyLens, e: Errors, n: float, region: str, o: str, rng: np.random.Generator) -> list[ColourPoint]:
    made = []
    x_px, y_px = PLACES[region][0] * SHAPE[1] - 0.5, PLACES[region][1] * SHAPE[0] - 0.5
    for colour in ("R", "B"):
        truth, green = lens.mtf50(n, region, o, colour), lens.mtf50(n, region, o)
        for side, (nx, ny) in SIDES[o]:
            x, y = x_px + _HALF_SIDE_PX * nx, y_px + _HALF_SIDE_PX * ny
            outward = lens.lateral_px.get(colour, 0.0) / (0.5 * math.hypot(*SHAPE))
            shift = (
                outward * (x - 0.5 * (SHAPE[1] - 1)) + (lens.misregistered_px[0] if colour == "R" else 0.0),
                outward * (y - 0.5 * (SHAPE[0] - 1)) + (lens.misregistered_px[1] if colour == "R" else 0.0),
            )
            offset = shift[0] * nx + shift[1] * ny + e.offset_px * rng.normal()
            error = 2.0 * e.noise
            ratio = math.log(truth / green) + error * rng.normal()
            made.append(
                ColourPoint(
                    n, colour, region, "", list(PLACES).index(region), side, o, x, y, (x + 0.5) / SHAPE[1],
                    (y + 0.5) / SHAPE[0], nx, ny, offset, e.offset_px * e.stated, green * math.exp(ratio),
                    error * green * e.stated, ratio, error * e.stated, 2,
                )
            )  # fmt: skip
    return made


def simulated_edges(
    lens: FaultyLens, errors: Errors, seed: int, f_numbers: tuple[float, ...], frames: int = 2
) -> dict[float, list[list[EdgeMeasurement]]]:
    """The same as edges of frames, four per patch; what the print does to an edge is the same in all frames."""
    rng = np.random.default_rng(seed)
    printed = {(r, side): errors.print_scatter * rng.normal() for r in PLACES for o in BOTH for side, _ in SIDES[o]}
    made: dict[float, list[list[EdgeMeasurement]]] = {}
    frequency = np.linspace(0.0, 1.0, 101)
    for n in f_numbers:
        made[n] = []
        for _ in range(frames):
            edges = []
            for group, (region, place) in enumerate(PLACES.items()):
                for o in BOTH:
                    for side, normal in SIDES[o]:
                        noise = errors.noise * 2.0  # four edges (two frames of two) make one point
                        truth = lens.mtf50(n, region, o) * (1.0 + printed[region, side])
                        value = truth * (1.0 + noise * rng.normal())
                        colours = tuple(
                            EdgeColour(
                                c,
                                _offset(lens, c, place, normal) + 1.4 * errors.offset_px * rng.normal(),
                                1.4 * errors.offset_px * errors.stated,
                                lens.mtf50(n, region, o, c) * (1.0 + printed[region, side] + noise * rng.normal()),
                                noise * errors.stated * lens.mtf50(n, region, o, c),
                            )
                            for c in ("R", "B")
                        )
                        edges.append(
                            _edge(place, o, side, normal, group, value, noise * errors.stated, colours, frequency)
                        )
            made[n].append(edges)
    return made


def _offset(lens: FaultyLens, colour: str, place: tuple[float, float], normal: tuple[float, float]) -> float:
    outward = lens.lateral_px.get(colour, 0.0)
    x, y = centred(*place)
    extra = lens.misregistered_px if colour == "R" else (0.0, 0.0)
    return (outward * x + extra[0]) * normal[0] + (outward * y + extra[1]) * normal[1]


def _edge(
    place: tuple[float, float],
    orientation: str,
    side: str,
    normal: tuple[float, float],
    group: int,
    value: float,
    error: float,
    colours: tuple[EdgeColour, ...],
    frequency: np.ndarray,
) -> EdgeMeasurement:
    x = place[0] * SHAPE[1] - 0.5 + _HALF_SIDE_PX * normal[0]
    y = place[1] * SHAPE[0] - 0.5 + _HALF_SIDE_PX * normal[1]
    dx, dy = (0.0, 50.0) if orientation == "vertical" else (50.0, 0.0)
    candidate = candidate_from_line(x - dx, y - dy, x + dx, y + dy, normal, 40.0, group, side)
    nothing = np.empty(0)
    mtf = np.exp(-math.log(2.0) * (frequency / value) ** 2)
    return EdgeMeasurement(
        candidate=candidate, orientation=candidate.orientation, group=group, x_px=x, y_px=y, angle_deg=5.0,
        length_px=100.0, mtf50_cy_per_px=value, mtf50_stderr=error * value, dark_dn=500.0, bright_dn=2000.0, snr=80.0,
        blur_px=2.0, edge_offset_px=0.0, edge_offset_stderr=0.01, bow_px=0.0, position_px=nothing, esf=nothing,
        esf_stderr=nothing, frequency_cy_per_px=frequency, mtf=mtf, mtf_stderr=np.full(frequency.size, 0.005),
        colours=colours,
    )  # fmt: skip
