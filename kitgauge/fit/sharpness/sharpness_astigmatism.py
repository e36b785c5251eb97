"""Sharpness that depends on the direction of the edge: in one region, towards the corners, and lopsided.

The two edge directions of a place are compared as d = ln MTF50 (vertical edges) - ln MTF50 (horizontal edges). A
centred lens is symmetric about its axis: its blur differs along and across the radius, so that d = A (x^2 - y^2) to
second order, x and y from the frame's centre (a blur whose axes lie along and across the radius at the angle phi
differs between x and y by cos 2 phi of what it differs between its own axes). A term that grows with x or y alone
cannot come from a centred lens (nodal aberration theory: Thompson 2005, J. Opt. Soc. Am. A 22, 1389, from memory).

What vibration and the printer do to the whole frame they do to the centre too, where a lens on its axis has no
astigmatism: so the centre tells what is common, and the other regions are compared with it. The median of all regions
does not tell it: four corners of a lens with astigmatism agree among themselves, and the centre would be blamed.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2
from scipy.stats import t as student

from kitgauge.fit.sharpness.sharpness_contrasts import (
    Contrast,
    Finding,
    Ratio,
    Table,
    Verdict,
    either,
    judge,
    mean_ratio,
    significant,
    whole_error,
)
from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint
from kitgauge.fit.sharpness.sharpness_shake import repeat_variance, shake_variance, shaken, usual_repeat_variance
from kitgauge.measure.edges.regions import REGIONS

Array = NDArray[np.float64]

_SAME_PLACE_NORM = 0.06
_FEWEST_PLACES = 6
_FEWEST_TO_COMPARE = 5
_PRINTER_ERROR = (
    0.01  # of MTF50: printers draw lines along and across the paper's way unlike (common practice, no source)
)
_AGREE_PROBABILITY = 0.1  # of centre and median agreeing, after Bonferroni
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
    """Compare the two edge directions of each region; with five regions or more, against what all have in common.

    Shake in one direction does to all regions what astigmatism does to one, and two frames of an f-number that shook
    alike hide it. So the scatter between frames is taken no smaller than over all f-numbers, and its few degrees of
    freedom count (Welch 1947, Biometrika 34, 28). Against other regions half of it is left: shake shows less where the
    lens is softer. With five regions, what all have alike is a contrast of its own, `FRAME`: what the centre shows
    where the regions' median shows something else (`_centre_is_reference`); else, and where no centre was measured,
    each region is compared with the median of the others. What contrasts of the whole frame (`field_of_astigmatism`)
    say of a region is taken off where they are given as `explaining`.
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
        shake[f_number] = shake_variance(((steep, usual["vertical"]), (flat, usual["horizontal"])))
    measured = {region for table in own.values() for region in table}
    several = len(measured) >= _FEWEST_TO_COMPARE
    anchored = several and _centre_is_reference(own, shake)
    tables: dict[str, Table] = defaultdict(dict)
    for f_number, ratios in own.items():
        variance, freedom = shake[f_number]
        compared = several and len(ratios) >= _FEWEST_TO_COMPARE
        if compared and anchored and "centre" in ratios:
            centre = ratios["centre"]
            for region, ratio in ratios.items():
                if region != "centre":
                    tables[region][f_number] = _less(ratio, centre, 0.25 * variance, freedom)
            common = centre._replace(common=math.hypot(centre.common, _PRINTER_ERROR))
            tables[FRAME][f_number] = shaken(common, variance, freedom)
            continue
        for region, ratio in ratios.items():
            if compared:
                others = [other for name, other in ratios.items() if name != region]
                tables[region][f_number] = _against(ratio, others, 0.25 * variance, freedom)
            elif not several:
                tables[region][f_number] = shaken(ratio, variance, freedom)
        if compared:
            values, errors, _, commons = np.array(list(ratios.values())).T
            count = len(ratios)
            mean = Ratio(
                float(np.mean(values)),
                math.sqrt(float(np.sum(errors**2))) / count,
                math.inf,
                math.hypot(math.sqrt(float(np.sum(commons**2))) / count, _PRINTER_ERROR),
            )
            tables[FRAME][f_number] = shaken(mean, variance, freedom)
    order = [*(region for region in REGIONS if region in tables), *([FRAME] if FRAME in tables else [])]
    return [Contrast("astigmatism", region, tables[region], either) for region in order]


def _centre_is_reference(own: Mapping[float, Mapping[str, Ratio]], shake: Mapping[float, tuple[float, float]]) -> bool:
    """Tell whether the centre must tell what all regions have in common, because their median is something else.

    Where the two agree the median serves, which is known better. Where the centre surely differs between directions and
    the median of the others does not, the centre stands alone, and is compared with them.
    """
    centre: Table = {}
    rest: Table = {}
    between: Table = {}
    for f_number, ratios in own.items():
        others = [ratio for region, ratio in ratios.items() if region != "centre"]
        if "centre" in ratios and len(others) + 1 >= _FEWEST_TO_COMPARE:
            variance, freedom = shake[f_number]
            centre[f_number] = shaken(ratios["centre"], variance, freedom)
            rest[f_number] = _against(Ratio(0.0, 0.0), others, variance, freedom)
            between[f_number] = _against(ratios["centre"], others, 0.25 * variance, freedom)
    chance = [2.0 * student.sf(abs(r.value) / whole_error(r), r.freedom) for r in _with_mean(between)]
    if not chance or min(chance) * len(chance) > _AGREE_PROBABILITY:
        return False
    told, doubted = (judge(Contrast("astigmatism", "", table, either), len(table)) for table in (centre, rest))
    return told is None or doubted is not None


def _with_mean(table: Table) -> list[Ratio]:
    ratios = list(table.values())
    return [*ratios, mean_ratio(ratios)] if len(ratios) > 1 else ratios


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
    return shaken(less, variance, freedom)


def _less(ratio: Ratio, centre: Ratio, variance: float, freedom: float) -> Ratio:
    """Return the ratio less the centre's."""
    stderr, common = math.hypot(ratio.stderr, centre.stderr), math.hypot(ratio.common, centre.common)
    return shaken(Ratio(ratio.value - centre.value, stderr, math.inf, common), variance, freedom)


def _by_f_number(points: Sequence[SharpnessPoint]) -> dict[float, list[SharpnessPoint]]:
    groups: dict[float, list[SharpnessPoint]] = defaultdict(list)
    for point in points:
        groups[point.f_number].append(point)
    return groups


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
    compared = {contrast.region for contrast in left}
    measured = "centre" in {point.region for point in points}
    least = max((abs(verdict.log_ratio) for verdict in verdicts), default=0.0) * _LEAST_LEFT
    found = [_field_finding(verdict) for verdict in verdicts]
    for verdict in own:
        if verdict is None or abs(verdict.log_ratio) < least:
            continue
        worse = "vertical" if verdict.log_ratio < 0 else "horizontal"
        region = verdict.region
        place = {"centre": "the centre", FRAME: "the whole frame"}.get(region, f"the {region} of the frame")
        why = _reason(region, measured, FRAME in compared, "centre" not in compared)
        found.append(
            verdict.finding(
                f"In {place} {worse} edges are {verdict.amount()} softer than edges in the other direction"
                f"{verdict.where()}: {why}"
            )
        )
    return found


def _reason(region: str, centre_measured: bool, compared: bool, with_centre: bool) -> str:
    """Return what makes the directions differ in a region, and what cannot be told."""
    if region == "centre":
        return "a centred lens has no astigmatism on its axis; it is decentred, or vibration in one direction did it."
    if region == FRAME:
        cannot_tell = (
            " No edges were measured in the centre, where a lens has no astigmatism: without them these cannot be told "
            "apart."
        )
        return (
            "vibration in one direction, a printer that draws one direction less sharply, or "
            + ("a decentred lens" if centre_measured else "astigmatism")
            + "; turn the sheets by 90 degrees and shoot again with more care against vibration."
            + ("" if centre_measured else cannot_tell)
        )
    if compared and with_centre and centre_measured:
        return "astigmatism, for the centre, which vibration would reach as well, does not show it."
    if compared:
        return "more than elsewhere in the frame: astigmatism."
    return "astigmatism, or vibration in one direction."


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
