"""Sharpness that depends on the direction of the edge: in one region, towards the corners, and lopsided.

The two edge directions of a place are compared as d = ln MTF50 (vertical edges) - ln MTF50 (horizontal edges). A
centred lens is symmetric about its axis: its blur differs along and across the radius, so that d = A (x^2 - y^2) to
second order, x and y from the frame's centre (a blur whose axes lie along and across the radius at the angle phi
differs between x and y by cos 2 phi of what it differs between its own axes). A term that grows with x or y alone
cannot come from a centred lens (nodal aberration theory: Thompson 2005, J. Opt. Soc. Am. A 22, 1389, from memory). What
is the same everywhere is most often vibration or the printer, and kept apart from what one region has alone.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from kitgauge.fit.sharpness_contrasts import Contrast, Finding, Ratio, Table, Verdict, either, judge, significant
from kitgauge.fit.sharpness_points import SharpnessPoint
from kitgauge.measure.regions import REGIONS

Array = NDArray[np.float64]

_SAME_PLACE_NORM = 0.06
_FEWEST_PLACES = 6
_FEWEST_TO_COMPARE = 5
_PRINTER_ERROR = (
    0.01  # of MTF50: printers draw lines along and across the paper's way unlike (common practice, no source)
)
_WORST_CONDITION = 60.0
_MISFIT_PROBABILITY = 0.01
_ORIENTATIONS = ("vertical", "horizontal")
_LEAST_LEFT = 0.5  # of what the whole frame shows: the field is simpler than a lens, and leaves something over
_FIELD_KINDS = ("astigmatism", "decentring", "decentring")
FRAME, SIDEWAYS, UPRIGHT = "whole frame", "left and right", "top and bottom"


def field_of_astigmatism(
    points: Sequence[SharpnessPoint], print_error: float, frame_shape: tuple[int, int] | None = None
) -> list[Contrast]:
    """Return three contrasts of the whole frame: radial against tangential, and lopsided sideways and upright.

    The first holds, per f-number, the log ratio of tangential to radial edges at the outermost place; the others how d
    differs between the outermost places on the right and the left, at the bottom and the top. An f-number at which
    six places with both directions are not measured, or which the second-order field does not fit, has no say.
    """
    tables: tuple[Table, Table, Table] = ({}, {}, {})
    for f_number, own in _by_f_number(points).items():
        fitted = _fit_field(own, print_error, frame_shape or (2, 3))
        if fitted is not None:
            for table, ratio in zip(tables, fitted, strict=True):
                table[f_number] = ratio
    return [
        Contrast(kind, region, table, either)
        for kind, region, table in zip(_FIELD_KINDS, (FRAME, SIDEWAYS, UPRIGHT), tables, strict=True)
        if table
    ]


def _coordinates(point: SharpnessPoint, shape: tuple[int, int]) -> tuple[float, float]:
    """Return (x, y) from the frame's centre in half diagonals."""
    half = 0.5 * math.hypot(*shape)
    return (point.x_norm - 0.5) * shape[1] / half, (point.y_norm - 0.5) * shape[0] / half


def _fit_field(points: Sequence[SharpnessPoint], print_error: float, shape: tuple[int, int]) -> list[Ratio] | None:
    rows: list[tuple[float, float, float, float]] = []
    for upright in (p for p in points if p.orientation == "vertical"):
        flat = _partner(upright, points)
        if flat is None:
            continue
        errors = [p.mtf50_cy_per_px_stderr / p.mtf50_cy_per_px for p in (upright, flat)]
        d = math.log(upright.mtf50_cy_per_px / flat.mtf50_cy_per_px)
        rows.append((*_coordinates(upright, shape), d, math.hypot(*errors)))
    if len(rows) < _FEWEST_PLACES:
        return None
    x, y, d, noise = np.array(rows).T
    design = np.column_stack([np.ones(x.size), x * x - y * y, x, y])
    common = math.sqrt(2.0) * print_error
    weight = 1.0 / (noise**2 + common**2)
    if np.linalg.cond(design) > _WORST_CONDITION:
        return None
    inverse = np.linalg.inv(design.T @ (design * weight[:, None]))
    gain = inverse @ (design * weight[:, None]).T
    solution = gain @ d
    misfit = float(np.sum(weight * (d - design @ solution) ** 2))
    if chi2.sf(misfit / 1.2**2, x.size - 4) < _MISFIT_PROBABILITY:
        return None
    by_noise = np.sqrt(np.sum((gain * noise) ** 2, axis=1))
    by_print = common * np.sqrt(np.sum(gain**2, axis=1))
    scale = (1.0, float(np.max(x * x + y * y)), float(np.ptp(x)), float(np.ptp(y)))
    return [
        Ratio(float(solution[k]) * scale[k], float(by_noise[k]) * scale[k], math.inf, float(by_print[k]) * scale[k])
        for k in (1, 2, 3)
    ]


def _partner(point: SharpnessPoint, points: Sequence[SharpnessPoint]) -> SharpnessPoint | None:
    """Return the point of the other direction at the same place."""
    others = [p for p in points if p.orientation != point.orientation and p.orientation in _ORIENTATIONS]
    if point.place:
        return next((p for p in others if p.place == point.place), None)
    near = [(math.hypot(p.x_norm - point.x_norm, p.y_norm - point.y_norm), i, p) for i, p in enumerate(others)]
    distance, _, nearest = min(near, default=(math.inf, 0, None))
    return nearest if distance < _SAME_PLACE_NORM else None


def region_astigmatism(
    points: Sequence[SharpnessPoint],
    print_error: float,
    frame_shape: tuple[int, int] | None = None,
    explaining: Sequence[Contrast] = (),
) -> list[Contrast]:
    """Compare the two edge directions of each region; with five regions or more, against the median of the others.

    Shake in one direction does to all regions what astigmatism does to one, and two frames of an f-number that shook
    alike hide it. So the scatter between frames is taken no smaller than over all f-numbers, and its few degrees of
    freedom count (Welch 1947, Biometrika 34, 28). Against other regions half of it is left: shake shows less where the
    lens is softer. With five regions, what all have alike is a contrast of its own, `FRAME`. What contrasts of the
    whole frame (`field_of_astigmatism`) say of a region is taken off where they are given as `explaining`.
    """
    terms = [(contrast.region, contrast.table) for contrast in explaining]
    places = _region_terms(points, frame_shape or (2, 3)) if terms else {}
    own: dict[float, dict[str, Ratio]] = {}
    shake: dict[float, tuple[float, float]] = {}
    sides = {o: _by_f_number([p for p in points if p.orientation == o]) for o in _ORIENTATIONS}
    usual = {o: usual_repeat_variance(side.values()) for o, side in sides.items()}
    for f_number in sorted(sides["vertical"].keys() & sides["horizontal"].keys()):
        steep, flat = sides["vertical"][f_number], sides["horizontal"][f_number]
        compared_here = _directions_compared(steep, flat, print_error)
        own[f_number] = {
            region: _without(region, ratio, f_number, terms, places) for region, ratio in compared_here.items()
        }
        shake[f_number] = _shake(((steep, usual["vertical"]), (flat, usual["horizontal"])))
    measured = {region for table in own.values() for region in table}
    several = len(measured) >= _FEWEST_TO_COMPARE
    tables: dict[str, Table] = defaultdict(dict)
    for f_number, ratios in own.items():
        variance, freedom = shake[f_number]
        compared = several and len(ratios) >= _FEWEST_TO_COMPARE
        for region, ratio in ratios.items():
            if compared:
                others = [other for name, other in ratios.items() if name != region]
                tables[region][f_number] = _against(ratio, others, 0.25 * variance, freedom)
            elif not several:
                tables[region][f_number] = _shaken(ratio, variance, freedom)
        if compared:
            values, errors, _, commons = np.array(list(ratios.values())).T
            count = len(ratios)
            mean = Ratio(
                float(np.mean(values)),
                math.sqrt(float(np.sum(errors**2))) / count,
                math.inf,
                math.hypot(math.sqrt(float(np.sum(commons**2))) / count, _PRINTER_ERROR),
            )
            tables[FRAME][f_number] = _shaken(mean, variance, freedom)
    order = [*(region for region in REGIONS if region in tables), *([FRAME] if FRAME in tables else [])]
    return [Contrast("astigmatism", region, tables[region], either) for region in order]


def _directions_compared(
    steep: Sequence[SharpnessPoint], flat: Sequence[SharpnessPoint], print_error: float
) -> dict[str, Ratio]:
    """Return region -> ln of vertical over horizontal edges, with the noise within frames only."""
    ratios: dict[str, Ratio] = {}
    pairs = [(upright, other) for upright in steep if (other := _partner(upright, flat)) is not None]
    for region in REGIONS:
        own = [pair for pair in pairs if pair[0].region == region]  # both directions of the same places
        if not own:
            continue
        value = float(np.mean([math.log(a.mtf50_cy_per_px / b.mtf50_cy_per_px) for a, b in own]))
        noise = sum(
            max((p.mtf50_cy_per_px_stderr / p.mtf50_cy_per_px) ** 2 - repeat_variance(p), 0.0)
            for pair in own
            for p in pair
        )
        common = print_error * math.sqrt(2.0 / len(own))
        ratios[region] = Ratio(value, math.sqrt(noise) / len(own), math.inf, common)
    return ratios


def _shake(sides: Sequence[tuple[Sequence[SharpnessPoint], tuple[float, int]]]) -> tuple[float, float]:
    """Return (variance of a log ratio of directions that shake makes, its degrees of freedom)."""
    variance = spread = 0.0
    for points, (everywhere, freedom) in sides:
        here = float(np.mean([repeat_variance(p) for p in points]))
        repeat = max(here, everywhere)
        variance += repeat
        if repeat > 0:
            spread += repeat**2 / (freedom if everywhere >= here else max(points[0].frames - 1, 1))
    return variance, variance**2 / spread if spread > 0 else math.inf


def _shaken(ratio: Ratio, variance: float, freedom: float) -> Ratio:
    """Return the ratio with the variance of shake, of so many degrees of freedom, in its error."""
    whole = ratio.stderr**2 + variance
    return ratio._replace(
        stderr=math.sqrt(whole), freedom=freedom * (whole / variance) ** 2 if variance > 0 else math.inf
    )


def _against(ratio: Ratio, others: Sequence[Ratio], variance: float, freedom: float) -> Ratio:
    """Return the ratio less the median of the others."""
    values, errors, _, commons = np.array(others).T
    share = 0.5 * math.pi / values.size  # the median of normal values varies pi/2 times as much as their mean
    less = Ratio(
        ratio.value - float(np.median(values)),
        math.sqrt(ratio.stderr**2 + share * float(np.mean(errors**2))),
        math.inf,
        math.sqrt(ratio.common**2 + share * float(np.mean(commons**2))),
    )
    return _shaken(less, variance, freedom)


def _by_f_number(points: Sequence[SharpnessPoint]) -> dict[float, list[SharpnessPoint]]:
    groups: dict[float, list[SharpnessPoint]] = defaultdict(list)
    for point in points:
        groups[point.f_number].append(point)
    return groups


def repeat_variance(point: SharpnessPoint) -> float:
    """Return the relative variance of a point that only repeated frames show, 0 where it has one frame."""
    return (point.repeat_stderr / point.mtf50_cy_per_px) ** 2 if math.isfinite(point.repeat_stderr) else 0.0


def usual_repeat_variance(groups: Iterable[Sequence[SharpnessPoint]]) -> tuple[float, int]:
    """Return the mean relative variance between frames over the f-numbers, and its degrees of freedom."""
    repeated = [group for group in groups if max(point.frames for point in group) > 1]
    if not repeated:
        return 0.0, 1
    variances = [float(np.mean([repeat_variance(point) for point in group])) for group in repeated]
    return float(np.mean(variances)), sum(max(point.frames for point in group) - 1 for group in repeated)


def astigmatism_findings(
    field: Sequence[Contrast],
    points: Sequence[SharpnessPoint],
    print_error: float,
    tests: int,
    frame_shape: tuple[int, int] | None = None,
) -> list[Finding]:
    """Return the findings of the whole frame, and of those regions that the whole frame does not explain."""
    verdicts = significant(field, tests)
    explaining = [verdict.contrast for verdict in verdicts]
    left = region_astigmatism(points, print_error, frame_shape, explaining)
    own = [judge(contrast, tests) for contrast in left]
    least = max((abs(verdict.log_ratio) for verdict in verdicts), default=0.0) * _LEAST_LEFT
    found = [_field_finding(verdict) for verdict in verdicts]
    for verdict in own:
        if verdict is None or abs(verdict.log_ratio) < least:
            continue
        worse = "vertical" if verdict.log_ratio < 0 else "horizontal"
        region = verdict.region
        place, why = f"the {region} of the frame", "astigmatism, or vibration in one direction."
        if region == "centre":
            place = "the centre"
            why = (
                "a centred lens has no astigmatism on its axis; it is decentred, or vibration in one direction did it."
            )
        elif region == FRAME:
            place = "the whole frame"
            why = (
                "vibration in one direction, a printer that draws one direction less sharply, or astigmatism; turn the "
                "sheets by 90 degrees and shoot again with more care against vibration."
            )
        found.append(
            verdict.finding(
                f"In {place} {worse} edges are {verdict.amount()} softer than edges in the other direction"
                f"{verdict.where()}: {why}"
            )
        )
    return found


def _region_terms(points: Sequence[SharpnessPoint], shape: tuple[int, int]) -> dict[str, dict[str, float]]:
    """Return region -> share of each field term that acts there (1 at the outermost place)."""
    where = {p.region: [_coordinates(q, shape) for q in points if q.region == p.region] for p in points}
    everywhere = np.array([place for places in where.values() for place in places])
    outermost = float(np.max(np.sum(everywhere**2, axis=1))) or 1.0
    width, height = (float(v) or 1.0 for v in np.ptp(everywhere, axis=0))
    terms = {}
    for region, places in where.items():
        x, y = np.array(places).T
        terms[region] = {
            FRAME: float(np.mean(x * x - y * y)) / outermost,
            SIDEWAYS: float(np.mean(x)) / width,
            UPRIGHT: float(np.mean(y)) / height,
        }
    return terms


def _without(
    region: str,
    ratio: Ratio,
    f_number: float,
    explaining: Sequence[tuple[str, Table]],
    places: Mapping[str, Mapping[str, float]],
) -> Ratio:
    """Return a region's ratio less what the whole frame's terms say of it."""
    value, variance, common = ratio.value, ratio.stderr**2, ratio.common**2
    for term, known in explaining:
        if f_number in known:
            share = places[region][term]
            value -= share * known[f_number].value
            variance += (share * known[f_number].stderr) ** 2
            common += (share * known[f_number].common) ** 2
    return ratio._replace(value=value, stderr=math.sqrt(variance), common=math.sqrt(common))


def _field_finding(verdict: Verdict) -> Finding:
    amount, where = verdict.amount(), verdict.where()
    if verdict.contrast.kind == "astigmatism":
        worse, better = (
            ("around the centre", "outwards") if verdict.log_ratio < 0 else ("outwards", "around the centre")
        )
        return verdict.finding(
            f"Away from the centre, lines running {worse} are softer than lines running {better}: by {amount} at the "
            f"outermost place{where}. That is astigmatism (with its field curvature); near the centre there is none."
        )
    one, other = ("right", "left") if verdict.contrast.region == SIDEWAYS else ("bottom", "top")
    worse = "vertical" if verdict.log_ratio < 0 else "horizontal"
    return verdict.finding(
        f"How vertical and horizontal edges compare changes by {amount} from the {other} to the {one}{where}: {worse} "
        f"edges lose towards the {one}. A centred lens is the same on both sides: this one is decentred or tilted."
    )
