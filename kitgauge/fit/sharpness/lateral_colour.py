"""Lateral colour: how red and blue pictures are larger or smaller than the green one.

The shift of a colour against green at r from the frame's centre is c + r (k + k3 |r|^2): magnification that differs
with colour, linear and of third order (Welford, Aberrations of Optical Systems, ch. 10, from memory), and a shift c
common to the whole frame. An edge tells the part of it along its normal, and g besides: inks and blur that differ
between colours move all edges towards the bright side alike. Inks that do not lie exactly on one another move all edges
of the print one way, as c does: c is fitted so that it harms nothing, and is no finding.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from kitgauge.fit.sharpness.sharpness_colours import ColourPoint
from kitgauge.fit.sharpness.sharpness_contrasts import ERROR_ALLOWANCE, FAMILY_PROBABILITY, Finding

Array = NDArray[np.float64]

LEAST_OFFSET_ERROR_PX = 0.01  # of one edge, the same in all frames: print, sampling phase (own simulations)
SMALLEST_SHIFT_PX = 0.05  # nothing smaller shows in a picture
_SAME_EDGE_NORM = 0.02
_FEWEST_EDGES = 6
_FEWEST_EDGES_CUBIC = 12
_SMALLEST_RADIUS = 0.3  # of the half diagonal: what lies nearer to the centre tells nothing
_WORST_CONDITION = 200.0
COLOUR_NAMES = {"R": "red", "B": "blue"}
_NAMES = ("shift_x", "shift_y", "towards_bright", "radial", "radial_cubic")


@dataclass(frozen=True)
class PlaceShift:
    """The shift of a colour against green at one patch, outwards from the centre and across; NaN where not known."""

    place: str
    region: str
    x_norm: float
    y_norm: float
    radial_px: float
    radial_px_stderr: float
    tangential_px: float
    tangential_px_stderr: float
    radial_um: float


@dataclass(frozen=True)
class LateralColour:
    """Lateral colour of one channel.

    `outermost_px` is the fitted radial shift at the outermost measured place, `outermost_radius` of the half diagonal
    (positive: the colour's picture is the larger one); `corner_px` the same at the frame's corner, beyond what was
    measured where the radius is under 1. `parameters` in px at the corner, with standard errors.
    """

    channel: str
    outermost_px: float
    outermost_px_stderr: float
    outermost_um: float
    outermost_radius: float
    corner_px: float
    corner_px_stderr: float
    z: float
    probability: float  # of so large a shift by chance
    edges: int
    reduced_chi_square: float
    parameters: dict[str, tuple[float, float]]
    places: tuple[PlaceShift, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        values = asdict(self)
        values["parameters"] = {
            name: {"value": value, "stderr": error, "unit": "px"} for name, (value, error) in self.parameters.items()
        }
        values["places"] = [asdict(place) for place in self.places]
        return values


@dataclass(frozen=True)
class _Edge:
    """One edge over all f-numbers."""

    first: ColourPoint
    offset_px: float
    stderr: float


def lateral_colour(
    points: Sequence[ColourPoint], frame_shape: tuple[int, int], pitch_um: float | None = None
) -> list[LateralColour]:
    """Return the lateral colour of red and of blue, from the edges of all f-numbers; none where too few edges tell.

    Six edges of two directions are needed, one of them at 0.3 of the half diagonal or farther out.
    """
    channels = sorted({point.channel for point in points}, reverse=True)
    fits = (_fit(_edges([p for p in points if p.channel == c]), c, frame_shape, pitch_um) for c in channels)
    return [fit for fit in fits if fit is not None]


def _edges(points: Sequence[ColourPoint]) -> list[_Edge]:
    """Return one value per edge of the target: the mean over f-numbers, its least error not averaged down."""
    groups: list[list[ColourPoint]] = []
    for point in points:
        if not (math.isfinite(point.offset_px) and point.offset_px_stderr > 0):
            continue
        for group in groups:
            if _same_edge(group[0], point) and all(p.f_number != point.f_number for p in group):
                group.append(point)
                break
        else:
            groups.append([point])
    found = []
    for group in groups:
        value = np.array([p.offset_px for p in group])
        weight = np.array([p.offset_px_stderr for p in group]) ** -2.0
        mean = float(weight @ value / weight.sum())
        scatter = max(1.0, float(weight @ (value - mean) ** 2) / (value.size - 1)) if value.size > 1 else 1.0
        noise = ERROR_ALLOWANCE * math.sqrt(scatter / float(weight.sum()))
        found.append(_Edge(group[0], mean, math.hypot(noise, LEAST_OFFSET_ERROR_PX)))
    return found


def _same_edge(one: ColourPoint, two: ColourPoint) -> bool:
    if one.place and two.place:
        return (one.place, one.side) == (two.place, two.side)
    alike = one.normal_x * two.normal_x + one.normal_y * two.normal_y > 0.9
    return alike and math.hypot(one.x_norm - two.x_norm, one.y_norm - two.y_norm) < _SAME_EDGE_NORM


def _design(edges: Sequence[_Edge], shape: tuple[int, int]) -> tuple[Array, Array]:
    """Return ((edge, parameter) design, (edge,) radius in half diagonals)."""
    half = 0.5 * math.hypot(*shape)
    normal = np.array([(e.first.normal_x, e.first.normal_y) for e in edges])
    place = np.array(
        [(e.first.x_px - 0.5 * (shape[1] - 1), e.first.y_px - 0.5 * (shape[0] - 1)) for e in edges]
    ) / half  # fmt: skip
    radius = np.hypot(*place.T)
    along = np.sum(normal * place, axis=1)
    return np.column_stack([normal, np.ones(len(edges)), along, along * radius**2]), radius


def _fit(edges: Sequence[_Edge], channel: str, shape: tuple[int, int], pitch_um: float | None) -> LateralColour | None:
    if len(edges) < _FEWEST_EDGES or len({edge.first.orientation for edge in edges}) < 2:
        return None
    design, radius = _design(edges, shape)
    outermost = float(radius.max())
    count = 5 if len(edges) >= _FEWEST_EDGES_CUBIC and np.linalg.cond(design) < _WORST_CONDITION else 4
    design = design[:, :count]
    if outermost < _SMALLEST_RADIUS or np.linalg.cond(design) > _WORST_CONDITION:
        return None
    offset, error = (np.array([getattr(e, name) for e in edges]) for name in ("offset_px", "stderr"))
    scaled = design / error[:, None]
    covariance = np.linalg.inv(scaled.T @ scaled)
    solution = covariance @ (scaled.T @ (offset / error))
    freedom = len(edges) - count
    reduced = float(np.sum(((offset - design @ solution) / error) ** 2)) / freedom
    covariance = covariance * max(1.0, reduced)
    value, spread = _radial(solution, covariance, outermost)
    corner, corner_spread = _radial(solution, covariance, 1.0)
    radial = solution[3:]
    statistic = float(radial @ np.linalg.solve(covariance[3:, 3:], radial)) / radial.size
    probability = float(stats.f.sf(statistic, radial.size, freedom))
    return LateralColour(
        channel=channel,
        outermost_px=value,
        outermost_px_stderr=spread,
        outermost_um=math.nan if pitch_um is None else value * pitch_um,
        outermost_radius=outermost,
        corner_px=corner,
        corner_px_stderr=corner_spread,
        z=value / spread,
        probability=probability,
        edges=len(edges),
        reduced_chi_square=reduced,
        parameters={
            name: (float(v), math.sqrt(float(c)))
            for name, v, c in zip(_NAMES, solution, np.diag(covariance), strict=False)
        },
        places=tuple(_places(edges, float(solution[2]), shape, pitch_um)),
    )


def _radial(solution: Array, covariance: Array, radius: float) -> tuple[float, float]:
    """Return the radial shift at `radius` with its standard error."""
    gain = np.zeros(solution.size)
    gain[3:] = [radius, radius**3][: solution.size - 3]
    return float(gain @ solution), math.sqrt(float(gain @ covariance @ gain))


def _places(
    edges: Sequence[_Edge], towards_bright: float, shape: tuple[int, int], pitch_um: float | None
) -> list[PlaceShift]:
    """Return the shift at each patch that has edges of both directions."""
    patches: dict[tuple[str, float, int], list[_Edge]] = {}
    for edge in edges:  # patches are numbered anew at every f-number
        name = edge.first.place
        key = (name, 0.0, 0) if name else ("", edge.first.f_number, edge.first.patch)
        patches.setdefault(key, []).append(edge)
    found = []
    for (name, _, _), own in patches.items():
        if len({edge.first.orientation for edge in own}) < 2:
            continue
        normal = np.array([(e.first.normal_x, e.first.normal_y) for e in own])
        error = np.array([e.stderr for e in own])
        scaled = normal / error[:, None]
        covariance = np.linalg.inv(scaled.T @ scaled)
        shift = covariance @ (scaled.T @ ((np.array([e.offset_px for e in own]) - towards_bright) / error))
        x, y = (float(np.mean([getattr(e.first, k) for e in own])) for k in ("x_norm", "y_norm"))
        outwards = np.array([(x - 0.5) * shape[1], (y - 0.5) * shape[0]])
        length = float(np.hypot(*outwards))
        if length < 0.05 * math.hypot(*shape):  # no direction is outwards in the centre: to the right and down instead
            outwards, length = np.array([1.0, 0.0]), 1.0
        radial = outwards / length
        across = np.array([-radial[1], radial[0]])
        found.append(
            PlaceShift(
                place=name,
                region=own[0].first.region,
                x_norm=x,
                y_norm=y,
                radial_px=float(radial @ shift),
                radial_px_stderr=math.sqrt(float(radial @ covariance @ radial)),
                tangential_px=float(across @ shift),
                tangential_px_stderr=math.sqrt(float(across @ covariance @ across)),
                radial_um=math.nan if pitch_um is None else float(radial @ shift) * pitch_um,
            )
        )
    return found


def lateral_colour_findings(fits: Sequence[LateralColour]) -> list[Finding]:
    """Return the findings: significant among the colours tested, and 0.05 px at the outermost place at least."""
    found = []
    for fit in fits:
        probability = min(1.0, fit.probability * len(fits))
        if probability >= FAMILY_PROBABILITY or abs(fit.outermost_px) < SMALLEST_SHIFT_PX:
            continue
        name = COLOUR_NAMES.get(fit.channel, fit.channel)
        larger = "larger" if fit.outermost_px > 0 else "smaller"
        micrometres = "" if math.isnan(fit.outermost_um) else f" ({abs(fit.outermost_um):.2g} micrometres)"
        found.append(
            Finding(
                "lateral-colour",
                "whole frame",
                fit.outermost_px,
                "px",
                fit.z,
                f"The {name} picture is {larger} than the green one: {abs(fit.outermost_px):.2f} "
                f"± {fit.outermost_px_stderr:.2g} px{micrometres} at the outermost place measured, growing from the "
                "centre. It colours edges there; developing programs take it out with a lens profile.",
                probability,
                size_stderr=fit.outermost_px_stderr,
            )
        )
    return found
