"""Streak of one frame against the tripod reference: the second moment of the camera's motion from many edges.

Each edge sees the variance of the motion along its normal n: sigma_n^2 = n^T C n, with C the 2 x 2 covariance
of the motion path over the exposure. C follows from all edges by weighted least squares, and the streak is
that of straight uniform motion with the same second moment: L = sqrt(12 trace C) (a uniform distribution of
width L has variance L^2 / 12). Estimates of variance scatter around their true value, below zero too: they
are averaged as they are, and a frame whose sum is not above the noise is censored "below" instead of being
set to zero. Its bound is an upper one, estimate + 2 standard errors in variance (97.7 % one-sided; more where the
estimate is below zero, which counts as zero there). Streaks measured just above the floor are those that noise
lifted: taken alone they read high, by about 0.1 px; `trace_px2` with its error is free of that selection.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from kitgauge.errors import MeasurementError
from kitgauge.measure.blur.edge_blur import EdgeBlur, edge_blur
from kitgauge.measure.blur.motion_covariance import in_axes, principal_direction, robust_covariance
from kitgauge.measure.blur.still_edge import StillEdge, still_edge
from kitgauge.measure.edges.edge_candidate import EdgeCandidate

Array = NDArray[np.float64]
EdgeKey = tuple[int, str, str]

_FLOOR_SIGMA = 2.0  # trace C below this many standard errors: censored below
# Share of the variance by which a uniform kernel's fit can miss another shape's, once the kernel is wide against the
# still edge (arcsine, dwell and jump, curved: up to a third).
_SHAPE_EFFECT = 0.3
_SHAPE_SIGMA = 3.0
# A correction this many times the expected effect is chance, which 3 standard errors leave to one frame in 200; beyond
# `_CERTAIN_SIGMA` it is a kernel of another kind, such as a short knock that leaves a long thin tail.
_IMPLAUSIBLE = 30.0
_CERTAIN_SIGMA = 6.0
# Tripod frames that differ by more than chance (at this probability) and by more than this streak were not all still; a
# frame that is sharper than the reference by as much shows the same.
_UNREST_PROBABILITY = 1e-3
_UNREST_PX = 0.5
_SHARPER_SIGMA = 4.0
_SUPPORT_EFFECT = 0.05  # of that correction can be lost in the thin ends of the kernel, below the noise
_NAN = math.nan


class MeasuredEdge(Protocol):
    """What an edge measurement must offer: its candidate and its edge spread along the normal, dark to
    bright."""

    @property
    def candidate(self) -> EdgeCandidate: ...  # noqa: D102
    @property
    def position_px(self) -> Any: ...  # noqa: D102
    @property
    def esf(self) -> Any: ...  # noqa: D102
    @property
    def esf_stderr(self) -> Any: ...  # noqa: D102
    @property
    def flags(self) -> tuple[str, ...]: ...  # noqa: D102


@dataclass(frozen=True)
class StreakReference:
    """The still edges of the tripod frames, by (group, side, orientation).

    `tilt_deg` turns the frame's axes into the edges' own normals. `scatter_px4` is the variance of trace C
    among the tripod frames beyond their noise (NaN with fewer than three): the tripod's own unrest, part of
    the floor. `unrest_px`: the streak that stands for their differences, NaN with fewer than two frames, infinite
    where one of them is too blurred to compare; flag "tripod-unsteady" where it is more than chance explains.
    """

    edges: Mapping[EdgeKey, StillEdge]
    normals: Mapping[EdgeKey, tuple[float, float]]
    tilt_deg: float
    frames: int
    scatter_px4: float
    unrest_px: float = _NAN
    flags: tuple[str, ...] = ()


@dataclass(frozen=True)
class Streak:
    """Motion blur of one frame.

    `streak_px` = sqrt(12 trace C) with its standard error, NaN where censored. `direction_deg`: principal
    axis of C, 0 to 180, counted from +x (columns) towards +y (rows, down); NaN where the edges' directions
    cannot tell it from its mirror image. `variance_x_px2`, `variance_y_px2`, `covariance_px2`: C itself.
    `shape_px4`: the part of the variance of trace C that is common to all edges: what the shape of the motion may hide.
    `censored`: "below" (not told from a still
    frame; true streak under `bound_px` in 97 % of cases and more), "above" (over `bound_px`) or None, with no bound.
    """

    streak_px: float
    streak_px_stderr: float
    direction_deg: float
    direction_deg_stderr: float
    variance_x_px2: float
    variance_y_px2: float
    covariance_px2: float
    trace_px2: float
    trace_px2_stderr: float
    censored: Literal["below", "above"] | None
    bound_px: float
    edges_used: int
    edges_dropped: int
    reduced_chi_square: float
    flags: tuple[str, ...] = ()
    shape_px4: float = 0.0
    per_edge: tuple[tuple[EdgeKey, float, float], ...] = field(default=(), repr=False)  # variance, stderr [px^2]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            name: list(value) if name == "flags" else value for name, value in vars(self).items() if name != "per_edge"
        }


def edge_key(edge: MeasuredEdge) -> EdgeKey:
    """Return what names an edge across frames."""
    return edge.candidate.group, edge.candidate.side, edge.candidate.orientation


def _arrays(edge: MeasuredEdge) -> tuple[Array, Array, Array]:
    return (
        np.asarray(edge.position_px, dtype=np.float64),
        np.asarray(edge.esf, dtype=np.float64),
        np.asarray(edge.esf_stderr, dtype=np.float64),
    )


def reference_edges(frames: Sequence[Sequence[MeasuredEdge]]) -> StreakReference:
    """Return the reference from the measured edges of one or more tripod frames.

    Edges are matched by group, side and orientation; each is averaged over the frames that have it, after its
    centre and levels are matched. Raises MeasurementError where no edge can be used.
    """
    parts: dict[EdgeKey, list[tuple[Array, Array, Array]]] = {}
    normals: dict[EdgeKey, list[tuple[float, float]]] = {}
    for frame in frames:
        for edge in frame:
            x, y, error = _arrays(edge)
            still = still_edge(x, y, error) if x.size else None
            if still is None:
                continue
            normalised = (y - still.dark_dn) / still.contrast_dn
            # the common dark level keeps the modulation of the edge
            floor = still.dark_dn / still.contrast_dn
            parts.setdefault(edge_key(edge), []).append(
                (x - still.centre_px, normalised + floor, error / still.contrast_dn)
            )
            normals.setdefault(edge_key(edge), []).append(edge.candidate.normal)
    edges: dict[EdgeKey, StillEdge] = {}
    for key, pieces in parts.items():
        merged = still_edge(*(np.concatenate([piece[i] for piece in pieces]) for i in range(3)))
        if merged is not None:
            edges[key] = merged
    if not edges:
        raise MeasurementError(
            "the tripod frames hold no edge that can serve as a reference",
            where=f"{len(frames)} tripod frame(s)",
            got=f"{sum(len(frame) for frame in frames)} edges, none with two clear plateaus and a rise between them",
            needed="at least one edge, better several in both directions",
            fix="fill the frame with the target, focus, avoid clipping, and shoot the tripod frames again",
        )
    mean_normals = {key: _mean_normal(normals[key]) for key in edges}
    angles = np.array([math.atan2(n[1], n[0]) for n in mean_normals.values()])
    # edges at right angles count alike: average four times the angle
    tilt = math.degrees(float(np.angle(np.mean(np.exp(4j * angles)))) / 4.0)
    first = StreakReference(edges, mean_normals, tilt, len(frames), _NAN)
    axes = {key[2] for key in edges}
    flags = [] if len(axes) == 2 else ["orientation-missing"]
    if len(frames) < 2:
        flags.append("single-frame")
    scatter, unrest_px, unsteady = tripod_unrest([measure_streak(frame, first) for frame in frames])
    if unsteady:
        flags.append("tripod-unsteady")
    return StreakReference(edges, mean_normals, tilt, len(frames), scatter, unrest_px, tuple(flags))


def _mean_normal(normals: Sequence[tuple[float, float]]) -> tuple[float, float]:
    x, y = (float(np.mean([n[i] for n in normals])) for i in range(2))
    size = math.hypot(x, y)
    return x / size, y / size


def tripod_unrest(found: Sequence[Streak]) -> tuple[float, float, bool]:
    """Return the unrest of the tripod frames, measured against their own mean.

    The variance of trace C that noise does not explain [px^4] (NaN below three frames), the streak [px] of its
    root (see `StreakReference`), and whether the frames differ by more than chance: chi-square of the traces.
    """
    known = [(s.trace_px2, s.trace_px2_stderr) for s in found if math.isfinite(s.trace_px2)]
    lost = any(s.censored == "above" for s in found)
    if len(known) < 2:
        return _NAN, math.inf if lost else _NAN, lost
    traces, errors = np.array(known).T
    beyond = max(0.0, float(np.var(traces, ddof=1) - np.mean(errors**2)))
    unrest_px = math.inf if lost else math.sqrt(12.0 * math.sqrt(beyond))
    weights = errors**-2.0
    chi2 = float(np.sum(weights * (traces - np.average(traces, weights=weights)) ** 2))
    chance = float(stats.chi2.sf(chi2, len(known) - 1))
    unsteady = lost or (chance < _UNREST_PROBABILITY and unrest_px > _UNREST_PX)
    return beyond if len(known) >= 3 else _NAN, unrest_px, unsteady


def measure_streak(edges: Sequence[MeasuredEdge], reference: StreakReference) -> Streak:
    """Return the streak of one frame from its measured edges.

    Edges without a partner in `reference` are left out (and counted in `edges_dropped`). NaN with flag
    "no-edge" where nothing can be said; see `Streak` for censoring.
    """
    found: list[tuple[EdgeKey, EdgeBlur]] = []
    turned = []
    for edge in edges:
        key = edge_key(edge)
        x, y, error = _arrays(edge)
        if key in reference.edges and x.size:
            found.append((key, edge_blur(reference.edges[key], x, y, error)))
            turned.append(in_axes(edge.candidate.normal, reference.normals[key]))
    dropped = len(edges) - len(found) + sum(blur.reach == "unusable" for _, blur in found)
    # the camera, or what carries the target, may stand askew: directions are told in the frame
    turn = float(np.median([math.atan2(across, along) for along, across in turned])) if turned else 0.0
    return combine_edges(found, reference, dropped, turn)


def combine_edges(
    found: Sequence[tuple[EdgeKey, EdgeBlur]], reference: StreakReference, dropped: int = 0, turn_rad: float = 0.0
) -> Streak:
    """Return the streak from the blur that each edge saw; the target lies turned by `turn_rad` (x towards y) in the
    frame, against the reference."""
    tilt = math.radians(reference.tilt_deg)
    axis = (math.cos(tilt), math.sin(tilt))
    normals = {key: in_axes(reference.normals[key], axis) for key, _ in found}
    rows = [(key, blur, 0 if abs(normals[key][0]) > abs(normals[key][1]) else 1) for key, blur in found]
    wanted = {0 if abs(in_axes(n, axis)[0]) > abs(in_axes(n, axis)[1]) else 1 for n in reference.normals.values()}
    usable = [row for row in rows if row[1].reach == "ok"]
    beyond = [row for row in rows if row[1].reach == "beyond"]
    flags = [flag for flag in reference.flags if flag == "orientation-missing"]
    too_long = [
        number
        for number in wanted
        if any(r[2] == number for r in beyond)
        and sum(r[2] == number for r in beyond) >= sum(r[2] == number for r in usable)
    ]
    if too_long:
        # Only what the windows could have held along the long axes: edges along a long smear are not clean
        # enough to add the other direction.
        least = sum(float(np.median([r[1].bound_px2 for r in beyond if r[2] == number])) for number in too_long)
        return _censored_above(math.sqrt(12.0 * least), len(usable), dropped, (*flags, "too-blurred"))
    seen = {row[2] for row in usable}
    if not usable or seen != wanted:
        lost = "no-edge" if not usable else "orientation-missing"
        return _nothing(dropped, tuple(dict.fromkeys([*flags, lost])))
    measured, hidden = _shaped(usable)
    kept, solution = robust_covariance([(normals[k], value, error) for k, value, error in measured], len(wanted))
    values, covariance, chi2 = solution
    covariance = covariance + np.diag([*hidden, 0.0])
    dropped += len(usable) - len(kept) + len(beyond)
    trace = values[0] + values[1]
    noise = covariance[0, 0] + covariance[1, 1] + 2.0 * covariance[0, 1]
    noise += 0.0 if math.isnan(reference.scatter_px4) else reference.scatter_px4
    error = math.sqrt(noise)
    most_px = math.sqrt(12.0 * (max(trace, 0.0) + _FLOOR_SIGMA * error))
    turned, direction, direction_error = principal_direction(values, covariance, tilt + turn_rad)
    below = trace < _FLOOR_SIGMA * error
    streak = _NAN if below else math.sqrt(12.0 * trace)
    if below:
        flags.append("below-floor")
    if trace < -max(_SHARPER_SIGMA * error, _UNREST_PX**2 / 12.0):
        flags.append("tripod-unsteady")  # sharper than the reference, which a steady one in focus does not allow
    return Streak(
        streak_px=streak,
        streak_px_stderr=_NAN if below else 6.0 * error / streak,  # L^2 = 12 T, so dL = 6 dT / L
        direction_deg=_NAN if below or len(wanted) < 2 else direction,
        direction_deg_stderr=_NAN if below or len(wanted) < 2 else direction_error,
        variance_x_px2=float(turned[0, 0]),
        variance_y_px2=float(turned[1, 1]),
        covariance_px2=float(turned[0, 1]),
        trace_px2=float(trace),
        trace_px2_stderr=error,
        censored="below" if below else None,
        bound_px=most_px if below else _NAN,
        edges_used=len(kept),
        edges_dropped=dropped,
        reduced_chi_square=chi2,
        flags=tuple(flags),
        shape_px4=float(sum(hidden)),
        per_edge=tuple(measured),
    )


def with_variance(streak: Streak, trace_px2: float, trace_px2_stderr: float) -> Streak:
    """Return the streak of another variance of the motion (at another place, say), censored below as any other."""
    below = trace_px2 < _FLOOR_SIGMA * trace_px2_stderr
    px = _NAN if below else math.sqrt(12.0 * trace_px2)
    flags = [flag for flag in streak.flags if flag != "below-floor"]
    return replace(
        streak,
        streak_px=px,
        streak_px_stderr=_NAN if below else 6.0 * trace_px2_stderr / px,
        trace_px2=trace_px2,
        trace_px2_stderr=trace_px2_stderr,
        censored="below" if below else None,
        bound_px=math.sqrt(12.0 * (max(trace_px2, 0.0) + _FLOOR_SIGMA * trace_px2_stderr)) if below else _NAN,
        flags=(*flags, "below-floor") if below else tuple(flags),
    )


def _shaped(
    usable: Sequence[tuple[EdgeKey, EdgeBlur, int]],
) -> tuple[list[tuple[EdgeKey, float, float]], tuple[float, float]]:
    """Return each edge's variance and standard error with the shape of the kernel allowed for, and what may
    hide.

    The kernel is one for all edges of a direction, so the share of the shape's correction that is used comes
    from its size against its error over all of them: all of it where it is significant or where the kernel is
    wide, little where the kernel is narrow against the still edge and the shape cannot matter (its effect
    goes with the fourth moment). What the unused share may hide is common to the edges [px^4 per direction]
    and does not average out.
    """
    measured, hidden = [], [0.0, 0.0]
    for number in (0, 1):
        blurs = [(key, blur) for key, blur, axis in usable if axis == number]
        if not blurs:
            continue
        weights = np.array([b.variance_stderr_px2 for _, b in blurs]) ** -2.0
        mean = max(float(np.average([b.variance_px2 for _, b in blurs], weights=weights)), 0.0)
        core = float(np.median([b.still_sigma_px for _, b in blurs]))
        effect = _SHAPE_EFFECT * mean * min(1.0, mean / (2.0 * core**2))
        extra = np.array([max(b.shape_stderr_px2**2 - b.variance_stderr_px2**2, 1e-12) for _, b in blurs])
        shapes = np.array([b.shape_px2 for _, b in blurs])
        pooled_variance = 1.0 / float(np.sum(1.0 / extra))
        pooled = pooled_variance * float(np.sum(shapes / extra))
        sigmas = abs(pooled) / math.sqrt(pooled_variance)
        plausible = abs(pooled) < _IMPLAUSIBLE * effect
        significant = sigmas > (_SHAPE_SIGMA if plausible else _CERTAIN_SIGMA)
        share = 1.0 if significant else effect**2 / (effect**2 + pooled_variance)
        hidden[number] = ((1.0 - share) * effect) ** 2 + (_SUPPORT_EFFECT * share * pooled) ** 2
        measured += [
            (
                key,
                b.variance_px2 + share * b.shape_px2,
                math.sqrt(b.variance_stderr_px2**2 + share**2 * float(e)),
            )
            for (key, b), e in zip(blurs, extra, strict=True)
        ]
    return measured, (hidden[0], hidden[1])


def _censored_above(bound_px: float, used: int, dropped: int, flags: tuple[str, ...]) -> Streak:
    nan = _NAN
    return Streak(nan, nan, nan, nan, nan, nan, nan, nan, nan, "above", bound_px, used, dropped, nan, flags)


def _nothing(dropped: int, flags: tuple[str, ...]) -> Streak:
    nan = _NAN
    return Streak(nan, nan, nan, nan, nan, nan, nan, nan, nan, None, nan, 0, dropped, nan, flags)
