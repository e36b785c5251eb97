"""Roll of the camera (rotation about the lens axis) told apart from pitch and yaw, from edges in several places.

A rotation q(t) about the lens axis moves a point r (from the frame's centre) by q J r, J the quarter turn; pitch and
yaw move all points alike by p(t). Edges see both together, each at its own place: `turn_covariance` solves for the two
and their correlation. The streak at the frame's centre is that of p alone; elsewhere it is sqrt(12 trace C(r)), with
C(r) = C_pp + c_pq (J r)^T + (J r) c_pq^T + V_q (J r)(J r)^T, largest in one of the corners (a quadratic form in r that
opens upward).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.blur.motion_covariance import principal_direction
from kitgauge.measure.blur.streak import EdgeKey, Streak, StreakReference, with_variance
from kitgauge.measure.blur.turn_covariance import UNKNOWN, EdgeVariance, turn_covariance
from kitgauge.measure.edges.edge_candidate import EdgeCandidate

Array = NDArray[np.float64]

_NAN = math.nan
# Squares nearer together than this (root mean square distance from their middle, as a share of the frame's diagonal)
# do not tell roll: what little they would tell is that of a lever too short for the corners.
_LEAST_SPREAD = 0.1
_CORNERS = {"top-left": (0, 0), "top-right": (0, 1), "bottom-left": (1, 0), "bottom-right": (1, 1)}
# Of the variance: what the shape of the motion adds to the error of a sum over places with different kernels.
_SHAPE_SHARE = 0.01
_DISAGREE = 3.0  # reduced chi-square of the edges over which one motion for all places is no explanation


@dataclass(frozen=True)
class CameraRoll:
    """Roll during one exposure, as sqrt(12 variance) like a streak: the angle of an even turn of that variance.

    `roll_mrad` with standard error where it is told from none, else `roll_bound_mrad`, an upper bound (97 %); all NaN
    where the squares are not spread enough. `centre_px2`: variance of the motion at the frame's centre with its error,
    where a roll was told, or where without one the edges do not agree; `centre_axes`: its parts in x, y and
    across with their (3, 3) covariance. `worst_px` in corner `worst_place`: the largest streak in
    the frame. `variance_z`: variance of the roll in its standard errors, told or not, below 0 by noise at times.
    """

    roll_mrad: float = math.nan
    roll_stderr_mrad: float = math.nan
    roll_bound_mrad: float = math.nan
    centre_px2: float = math.nan
    centre_stderr_px2: float = math.nan
    centre_axes: tuple[Array, Array] | None = field(default=None, compare=False)
    worst_px: float = math.nan
    worst_place: str = ""
    variance_z: float = math.nan

    @property
    def told(self) -> bool:
        """Tell whether the camera clearly rolled."""
        return math.isfinite(self.roll_mrad)


NOT_KNOWN = CameraRoll()


def camera_roll(streak: Streak, edges: Mapping[EdgeKey, EdgeCandidate], shape: tuple[int, int]) -> CameraRoll:
    """Return the roll in one frame of (rows, columns) `shape`, from its streak and its `edges` as they lie in it."""
    seen = [
        EdgeVariance(e.x_px, e.y_px, e.normal_x, e.normal_y, e.length_px, variance, error)
        for key, variance, error in streak.per_edge
        if (e := edges.get(key)) is not None
    ]
    if streak.censored == "above" or not _spread(seen, shape):
        return NOT_KNOWN
    last_row, last_column = shape[0] - 1, shape[1] - 1
    centre = turn_covariance(seen, (0.5 * last_column, 0.5 * last_row))
    if centre == UNKNOWN or not (centre.turned or math.isfinite(centre.turn_bound_rad)):
        return NOT_KNOWN
    z = centre.turn_variance_rad2 / centre.turn_variance_rad2_stderr
    disagree = streak.reduced_chi_square > max(_DISAGREE, 2.0 * centre.reduced_chi_square)
    if not (centre.turned or disagree):
        return replace(NOT_KNOWN, roll_bound_mrad=1000.0 * centre.turn_bound_rad, variance_z=z)
    corners = {
        name: turn_covariance(seen, (column * last_column, row * last_row)).translation_px
        for name, (row, column) in _CORNERS.items()
    }
    worst = max(corners, key=lambda name: -1.0 if math.isnan(corners[name]) else corners[name])
    return CameraRoll(
        roll_mrad=1000.0 * centre.turn_rad,
        roll_stderr_mrad=1000.0 * centre.turn_rad_stderr,
        roll_bound_mrad=1000.0 * centre.turn_bound_rad,
        centre_px2=centre.translation_px2,
        centre_stderr_px2=math.hypot(centre.translation_px2_stderr, _SHAPE_SHARE * centre.translation_px2),
        centre_axes=centre.translation_axes,
        worst_px=corners[worst],
        worst_place=worst,
        variance_z=z,
    )


def at_the_centre(streak: Streak, roll: CameraRoll, reference: StreakReference) -> Streak:
    """Return the streak as it is at the frame's centre, unchanged where the roll does not tell it.

    The unrest of the `reference` is part of the error, the tilt of its edges the axes in which they see the motion.
    """
    if streak.censored == "above" or not math.isfinite(roll.centre_px2) or roll.centre_axes is None:
        return streak
    unrest = 0.0 if math.isnan(reference.scatter_px4) else reference.scatter_px4
    centre = with_variance(streak, roll.centre_px2, math.hypot(roll.centre_stderr_px2, math.sqrt(unrest)))
    (xx, yy, xy), covariance = roll.centre_axes
    tilt = math.radians(reference.tilt_deg)
    turned = _in_edge_axes(tilt)
    _, direction, error = principal_direction(turned @ roll.centre_axes[0], turned @ covariance @ turned.T, tilt)
    return replace(
        centre,
        variance_x_px2=float(xx),
        variance_y_px2=float(yy),
        covariance_px2=float(xy),
        direction_deg=_NAN if centre.censored else direction,
        direction_deg_stderr=_NAN if centre.censored else error,
    )


def _in_edge_axes(tilt: float) -> Array:
    """Return the (3, 3) matrix that takes (C11, C22, C12) in x and y to those in axes turned by `tilt` [rad]."""
    c, s = math.cos(tilt), math.sin(tilt)
    return np.array([[c * c, s * s, 2.0 * c * s], [s * s, c * c, -2.0 * c * s], [-c * s, c * s, c * c - s * s]])


def _spread(edges: Sequence[EdgeVariance], shape: tuple[int, int]) -> bool:
    """Tell whether the edges of either direction lie far enough apart along themselves, which is what roll shows in."""
    levers: tuple[list[float], list[float]] = ([], [])
    for edge in edges:
        if abs(edge.normal_x) < abs(edge.normal_y):
            levers[0].append(edge.x_px)
        else:
            levers[1].append(edge.y_px)
    if min(len(levers[0]), len(levers[1])) < 3:
        return False
    return math.hypot(*(_deviation(own) for own in levers)) > _LEAST_SPREAD * math.hypot(*shape)


def _deviation(values: Sequence[float]) -> float:
    mean = sum(values) / len(values)
    return math.sqrt(sum((value - mean) ** 2 for value in values) / len(values))
