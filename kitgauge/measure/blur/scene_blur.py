"""Blur of one frame against still frames of the same scene, without a printed target.

Motion multiplies the spectrum of the scene by H, the characteristic function of the motion's path. Tiles with
detail are cut from the still frames and, at the registered places, from the blurred one; H is the ratio of their cross
spectrum to the power of the still frames, each summed over tiles: the noise of the blurred frame is in neither, so
nothing has to be subtracted from it, as |B|^2 / |A|^2 would need. The power of the still frames comes free of noise
from the cross spectra of several of them; of a single one, noise as seen at the highest frequencies is subtracted.
The shape of H at low frequencies gives the covariance of the path (`scene_kernel`), its scatter over tiles the error
(delete-a-group jackknife: Efron and Tibshirani, An Introduction to the Bootstrap, ch. 11, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.blur.motion_covariance import principal_direction
from kitgauge.measure.blur.scene_kernel import KernelFit, TransferFunction, fit_kernel
from kitgauge.measure.blur.scene_matching import MatchedTiles, register_tiles
from kitgauge.measure.blur.scene_reference import LEAST_TILES, SceneReference
from kitgauge.measure.blur.scene_tiles import SceneFrame, frequencies, noise_shape
from kitgauge.measure.blur.streak import Streak

Array = NDArray[np.float64]

_NAN = math.nan
_MISFIT = 4.0  # root mean square residual, in stated errors: more is no motion of one frame
_GROUPS = 8  # of tiles, for the jackknife
_LONGEST = 0.18  # of a tile: streaks longer than this are not resolved
_FLOOR_SIGMA = 2.0
# Standard deviations that the scatter over tiles does not tell: of still frames (registration, aliasing) [px^2]; as a
# share of trace C what the shape of the motion leaves, and what tiles lose at their borders, growing with the square
# of the streak over the tile's side. By maximum likelihood from 450 frames of simulated scenes and a real chart,
# blurred by known motions; over 214 others (as `bench/scene_calibration.py` makes them) errors were 0.95 stated ones.
_FLOOR_PX2 = 0.011
_SHAPE_SHARE = 0.0125
_BORDER_SHARE = 3.1
_JACKKNIFE = 1.25  # groups that share a border, and the objects that straddle it, scatter too little
# Heavy tails (excess kurtosis above this) are rare in motion; a fit may end there beside the truth: up to a quarter.
_PEAKED, _PEAKED_SHARE = 0.8, 0.2
_SHARPER_SIGMA = 4.0
_UNREST_PX = 0.5
_MOVED_SHARE = 0.34  # of tiles that do not move with the rest, or do not resemble the reference
_LIGHT_SPREAD = 0.25  # standard deviation of ln gain over tiles


def measure_scene_streak(frame: SceneFrame, reference: SceneReference) -> Streak:
    """Return the streak of one frame against the reference, in the terms of `kitgauge.measure.blur.streak.Streak`.

    `edges_used` counts tiles. NaN without censoring, and a flag, where nothing can be said: "scene-poor",
    "single-frame" (the reference is this frame itself), "framing-differs" (no common scene found, or another frame
    size), "scene-clipped", "scene-moved" where too many tiles do not follow the rest, "scene-unclear" where no motion
    explains the difference. Censored "above" where frame and scene agree but the streak is too long for the tiles.
    """
    refused = _refused(frame.shape, reference)
    if refused:
        return _nothing(len(reference.tiles), refused)
    found = register_tiles(reference.spectra[0], frame, reference.reduced, reference.tiles)
    return _compared(found, reference)


def measure_still_streak(reference: SceneReference, number: int) -> Streak:
    """Return the streak of one of the reference's own still frames against the others."""
    others = reference.without(number)
    refused = _refused(reference.shape, others)
    if refused:
        return _nothing(len(reference.tiles), refused)
    return _compared(reference.stills[number], others)


def no_streak(reference: SceneReference) -> Streak:
    """Return what every frame gets where nothing can be compared with the reference: NaN, and its flags."""
    return _nothing(len(reference.tiles), reference.flags)


def _refused(shape: tuple[int, int], reference: SceneReference) -> tuple[str, ...]:
    if reference.flags or not reference.spectra:
        return reference.flags or ("single-frame",)
    return () if shape == reference.shape else ("framing-differs",)


def _compared(found: MatchedTiles | None, reference: SceneReference) -> Streak:
    count = len(reference.tiles)
    if found is None:
        return _nothing(count, ("framing-differs",))
    if np.count_nonzero(found.whole) < LEAST_TILES:
        return _nothing(count, ("scene-clipped",))
    shape = noise_shape(reference.wanted, reference.size)
    still = np.mean([one.astype(np.complex128) for one in reference.spectra], axis=0)
    usable = reference.usable
    cross = (found.spectra * np.conj(still))[:, usable]
    power = reference.power()[:, usable]
    noise = found.noise, reference.noise
    frames = len(reference.spectra)
    fy, fx = (axis[usable] for axis in frequencies(reference.size))

    def transfer(tiles: NDArray[Any]) -> TransferFunction:
        total = np.sum(power[tiles], axis=0)
        value = np.sum(cross[tiles], axis=0) / total
        own = shape[usable] * (noise[0] + np.abs(value) ** 2 * noise[1] / frames)
        known = total > 0
        error = np.where(known, np.sqrt(0.5 * own / np.where(known, total, 1.0)), np.inf)
        return TransferFunction(fx, fy, np.where(known, value, 0.0), error, 1.0 / reference.size)

    agree = np.flatnonzero(found.agree)
    if agree.size < max(LEAST_TILES, (1.0 - _MOVED_SHARE) * np.count_nonzero(found.whole)):
        return _nothing(count, ("scene-moved",))
    whole = transfer(agree)
    fit = fit_kernel(whole)
    longest = _LONGEST * reference.size
    if fit is not None and fit.misfit > _MISFIT:
        return _nothing(count, ("scene-unclear",))
    if fit is None or 12.0 * fit.trace_px2 > longest**2:
        return _above(longest, agree.size, count - agree.size)
    groups = _neighbours(agree, reference)
    parts = [fit_kernel(transfer(np.setdiff1d(agree, group)), fit.parameters, fit.used) for group in groups]
    scatter = _jackknife([part.values for part in parts if part is not None])
    covariance = _JACKKNIFE**2 * scatter + fit.shape_covariance
    flags = []
    gains = np.array([_gain(cross[tile], power[tile], whole, fit) for tile in agree])
    if float(np.std(np.log(np.maximum(gains, 1e-3 * fit.gain)))) > _LIGHT_SPREAD:
        flags.append("light-changed")
    values, covariance = _turned(fit.values, covariance, found.registration.matrix[:, :2])
    return _streak(fit, values, covariance, reference.size, (agree.size, count - agree.size), flags)


def _turned(values: Array, covariance: Array, linear: Array) -> tuple[Array, Array]:
    """Return C (xx, yy, xy) and its covariance in the axes of the blurred frame: M C M^T, M the registration's."""
    (a, b), (c, d) = linear
    turn = np.array([[a * a, b * b, 2 * a * b], [c * c, d * d, 2 * c * d], [a * c, b * d, a * d + b * c]])
    return turn @ values, turn @ covariance @ turn.T


def _neighbours(tiles: NDArray[np.intp], reference: SceneReference) -> list[NDArray[np.intp]]:
    """Return the tiles in groups of neighbours, row after row: tiles overlap, and share the objects they show."""
    place = np.array([reference.tiles[tile] for tile in tiles], dtype=np.float64)
    rows = np.round(place[:, 0] / reference.size)
    # to and fro, so that the end of a row lies beside the beginning of the next
    along = np.where(rows % 2 == 0, place[:, 1], -place[:, 1])
    return np.array_split(tiles[np.lexsort((along, rows))], min(_GROUPS, tiles.size))


def _gain(cross: NDArray[np.complex128], power: Array, transfer: TransferFunction, fit: KernelFit) -> float:
    """Return the gain of one tile: its cross spectrum against what the fit makes of its power."""
    model = transfer.value[fit.used] / fit.gain * power[fit.used]
    return float(np.real(np.vdot(model, cross[fit.used]))) / max(float(np.real(np.vdot(model, model))), 1e-300)


def _jackknife(values: Sequence[Array]) -> Array:
    """Return the (3, 3) covariance of the covariance's parts from fits with one group of tiles left out each."""
    table = np.array(values)
    centred = table - table.mean(axis=0)
    return np.asarray((len(table) - 1) / len(table) * centred.T @ centred)


def _streak(
    fit: KernelFit, values: Array, covariance: Array, size: int, tiles: tuple[int, int], flags: Sequence[str]
) -> Streak:
    """Return the streak of `values` (xx, yy, xy) with all of its error; `tiles`: how many were used and left out."""
    trace = float(values[0] + values[1])
    share = math.hypot(_SHAPE_SHARE, _BORDER_SHARE * 12.0 * max(trace, 0.0) / size**2) * max(1.0, fit.misfit)
    if fit.kurtosis > _PEAKED:
        share = max(share, _PEAKED_SHARE)
    floor = _FLOOR_PX2**2 + (share * max(trace, 0.0)) ** 2
    covariance = covariance + 0.5 * floor * np.diag([1.0, 1.0, 0.5])
    error = math.sqrt(covariance[0, 0] + covariance[1, 1] + 2.0 * covariance[0, 1])
    below = trace < _FLOOR_SIGMA * error
    told = list(flags)
    if below:
        told.append("below-floor")
    if trace < -max(_SHARPER_SIGMA * error, _UNREST_PX**2 / 12.0):
        told.append("tripod-unsteady")
    _, direction, direction_error = principal_direction(values, covariance, 0.0)
    streak = _NAN if below else math.sqrt(12.0 * trace)
    return Streak(
        streak_px=streak,
        streak_px_stderr=_NAN if below else 6.0 * error / streak,  # L^2 = 12 T, so dL = 6 dT / L
        direction_deg=_NAN if below else direction,
        direction_deg_stderr=_NAN if below else direction_error,
        variance_x_px2=float(values[0]),
        variance_y_px2=float(values[1]),
        covariance_px2=float(values[2]),
        trace_px2=trace,
        trace_px2_stderr=error,
        censored="below" if below else None,
        bound_px=math.sqrt(12.0 * (max(trace, 0.0) + _FLOOR_SIGMA * error)) if below else _NAN,
        edges_used=tiles[0],
        edges_dropped=tiles[1],
        reduced_chi_square=fit.misfit**2,
        flags=tuple(told),
    )


def _above(bound_px: float, used: int, dropped: int) -> Streak:
    nan = _NAN
    return Streak(nan, nan, nan, nan, nan, nan, nan, nan, nan, "above", bound_px, used, dropped, nan, ("too-blurred",))


def _nothing(dropped: int, flags: tuple[str, ...]) -> Streak:
    nan = _NAN
    return Streak(nan, nan, nan, nan, nan, nan, nan, nan, nan, None, nan, 0, dropped, nan, flags)
