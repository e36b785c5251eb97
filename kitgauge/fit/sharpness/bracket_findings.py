"""What stepped focus tells of the lens: field curvature, tilt, longitudinal colour, focus shift.

Each is a difference of best focus positions with its error; differences of all f-numbers and kinds are one family, with
false alarms under 1 % (Bonferroni). A finding must also cost something: the defocus that it leaves, at that f-number,
takes at least 2 % of MTF50. Errors are taken a fifth larger than stated (as for other findings).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from kitgauge.exposure import format_f_number
from kitgauge.fit.sharpness.focus_bracket import BracketPeak, FocusBracket
from kitgauge.fit.sharpness.sharpness_contrasts import ERROR_ALLOWANCE, FAMILY_PROBABILITY, SMALLEST_SIZE, Finding

Array = NDArray[np.float64]

_FEWEST_PLACES = 5
_COLOUR_NAMES = {"R": "red", "B": "blue"}


@dataclass(frozen=True)
class FieldShape:
    """Best focus over the frame at one f-number: z = z0 + tilt_x x + tilt_y y + curvature (x^2 + y^2) / 2, in steps.

    x and y run from -1 to 1 from left to right and top to bottom: `curvature` is the corners' best focus against the
    middle's, `tilt_x` the right side's. Errors hold the scatter of the places about this surface.
    """

    f_number: float
    curvature: float
    curvature_stderr: float
    tilt_x: float
    tilt_x_stderr: float
    tilt_y: float
    tilt_y_stderr: float
    places: int
    degrees_of_freedom: int


@dataclass(frozen=True)
class _Difference:
    kind: str
    region: str
    f_number: float
    steps: float
    stderr: float
    freedom: float
    reaches: float  # steps by which the worst place is out of focus


def field_shape(bracket: FocusBracket, f_number: float) -> FieldShape | None:
    """Return the surface of best focus at an f-number, None with fewer than five places, or all in one line."""
    peaks = [
        item
        for item in bracket.peaks
        if item.f_number == f_number and item.orientation == "both" and item.channel == "G" and item.peak.bracketed
    ]
    if len(peaks) < _FEWEST_PLACES:
        return None
    x = np.array([2.0 * item.x_norm - 1.0 for item in peaks])
    y = np.array([2.0 * item.y_norm - 1.0 for item in peaks])
    design = np.column_stack([np.ones_like(x), x, y, 0.5 * (x * x + y * y)])
    if np.linalg.matrix_rank(design, tol=0.05) < design.shape[1]:
        return None
    error = np.array([item.peak.stderr for item in peaks])
    weight = 1.0 / np.hypot(error, 0.3 * np.median(error))  # no place decides alone
    covariance = np.linalg.inv((design * weight[:, None] ** 2).T @ design)
    right = np.array([item.peak.best for item in peaks])
    solution = covariance @ (design.T @ (weight**2 * right))
    freedom = len(peaks) - 4
    chi_square = float(np.sum((weight * (right - design @ solution)) ** 2))
    spread = np.sqrt(np.diag(covariance) * max(1.0, chi_square / freedom))
    return FieldShape(
        f_number,
        curvature=float(solution[3]),
        curvature_stderr=float(spread[3]),
        tilt_x=float(solution[1]),
        tilt_x_stderr=float(spread[1]),
        tilt_y=float(solution[2]),
        tilt_y_stderr=float(spread[2]),
        places=len(peaks),
        degrees_of_freedom=freedom,
    )


def bracket_findings(bracket: FocusBracket) -> list[Finding]:
    """Return what the best focus positions say, strongest first; per kind (and colour, side) at its worst f-number."""
    differences = [item for f_number in bracket.f_numbers for item in _differences(bracket, f_number)]
    differences += _focus_shifts(bracket)
    worst: dict[tuple[str, str], Finding] = {}
    for item in differences:
        z = item.steps / (ERROR_ALLOWANCE * item.stderr) if item.stderr > 0 else math.nan
        probability = min(1.0, 2.0 * float(stats.t.sf(abs(z), item.freedom)) * len(differences))
        cost = _cost(bracket, item)
        if not (probability < FAMILY_PROBABILITY and cost >= SMALLEST_SIZE):
            continue
        step = bracket.step_um.get(item.f_number, math.nan)
        size, unit = (item.steps, "steps") if math.isnan(step) else (item.steps * step, "um")
        found = Finding(
            kind=item.kind,
            region=item.region,
            size=size,
            unit=unit,
            z=z,
            text=_text(item, size, abs(size / item.steps) * item.stderr, unit, cost),
            probability=probability,
            f_number=item.f_number,
            size_stderr=abs(size / item.steps) * item.stderr,
        )
        key = (item.kind, item.region)
        if key not in worst or cost > _cost_of(bracket, worst[key], differences):
            worst[key] = found
    return sorted(worst.values(), key=lambda finding: -abs(finding.z))


def _differences(bracket: FocusBracket, f_number: float) -> list[_Difference]:
    found: list[_Difference] = []
    shape = field_shape(bracket, f_number)
    if shape is not None:
        freedom = float(shape.degrees_of_freedom)
        found.append(
            _Difference("field-curvature", "corners", f_number, shape.curvature, shape.curvature_stderr, freedom,
                        abs(shape.curvature))
        )  # fmt: skip
        for (first, second), steps, error in (
            (("right", "left"), shape.tilt_x, shape.tilt_x_stderr),
            (("bottom", "top"), shape.tilt_y, shape.tilt_y_stderr),
        ):
            found.append(
                _Difference("tilt", f"{first} against {second}", f_number, 2.0 * steps, 2.0 * error, freedom,
                            abs(steps))
            )  # fmt: skip
    green = bracket.peak(f_number, "centre")
    for channel, name in _COLOUR_NAMES.items():
        colour = bracket.peak(f_number, "centre", channel=channel)
        if green is not None and colour is not None:
            found.append(_between("longitudinal-colour", name, f_number, green, colour))
    return found


def _focus_shifts(bracket: FocusBracket) -> list[_Difference]:
    """Compare the centre's best focus at every f-number with that at the widest, in steps from a common start."""
    centres = [(n, peak) for n in bracket.f_numbers if (peak := bracket.peak(n, "centre")) is not None]
    if len(centres) < 2:
        return []
    widest = centres[0][1]
    return [_between("focus-shift", "centre", f_number, widest, peak) for f_number, peak in centres[1:]]


def _between(kind: str, region: str, f_number: float, first: BracketPeak, second: BracketPeak) -> _Difference:
    steps = second.peak.best - first.peak.best
    freedom = float(max(min(first.peak.degrees_of_freedom, second.peak.degrees_of_freedom), 1))
    return _Difference(
        kind, region, f_number, steps, math.hypot(first.peak.stderr, second.peak.stderr), freedom, abs(steps)
    )


def _cost(bracket: FocusBracket, item: _Difference) -> float:
    """Return the share of MTF50 that the defocus costs at its f-number, against the centre in focus."""
    green = bracket.peak(item.f_number, "centre")
    if green is None:
        return math.nan
    table = bracket.tables[item.f_number]
    sigma = table.sigma_of(math.log(green.peak.mtf50_cy_per_px))
    disc = item.reaches * green.peak.disc_px_per_step
    return 1.0 - math.exp(float(table.log_mtf50(sigma, disc) - table.log_mtf50(sigma, 0.0)))


def _cost_of(bracket: FocusBracket, finding: Finding, differences: Sequence[_Difference]) -> float:
    item = next(
        d for d in differences if (d.kind, d.region, d.f_number) == (finding.kind, finding.region, finding.f_number)
    )
    return _cost(bracket, item)


def _text(item: _Difference, size: float, error: float, unit: str, cost: float) -> str:
    amount = f"{abs(size):.3g} (± {error:.2g}) {'steps' if unit == 'steps' else 'micrometres in image space'}"
    at = format_f_number(item.f_number)
    price = f"at {at} that costs {100.0 * cost:.0f} % of MTF50"
    far = item.steps > 0
    if item.kind == "field-curvature":
        lies, things = ("inwards", "nearer to") if far else ("outwards", "farther from")
        return (
            f"The field is curved {lies}: the corners are sharpest with the focus {'beyond' if far else 'nearer than'} "
            f"where the middle is, by {amount}; {price} there. With the middle in focus, corners show things sharp "
            f"that are {things} the camera."
        )
    if item.kind == "tilt":
        first, _, second = item.region.partition(" against ")
        return (
            f"Best focus leans: {first} is sharpest with the focus {'beyond' if far else 'nearer than'} where {second} "
            f"is, by {amount}; {price} on either side. The target was not square to the camera, or the lens is tilted: "
            "turn the camera upside down and shoot again, a tilt of the lens turns with it."
        )
    if item.kind == "longitudinal-colour":
        return (
            f"{item.region.capitalize()} is sharpest with the focus {'beyond' if far else 'nearer than'} where green "
            f"is, by {amount}; {price} in {item.region} where green is in focus."
        )
    return (
        f"The best focus moves {'towards far' if far else 'towards near'} from wide open to {at}, by {amount}; {price} "
        "if the lens is focused wide open. Focus at the f-number you take the picture with."
    )
