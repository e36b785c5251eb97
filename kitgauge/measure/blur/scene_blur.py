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
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.blur.motion_covariance import principal_direction
from kitgauge.measure.blur.scene_kernel import KernelFit, TransferFunction, fit_kernel
from kitgauge.measure.blur.scene_matching import REDUCED, register_tiles, tile_around
from kitgauge.measure.blur.scene_tiles import (
    SceneFrame,
    Spectrum,
    choose_tiles,
    frequencies,
    noise_shape,
    spectrum,
)
from kitgauge.measure.blur.streak import Streak

Array = NDArray[np.float64]

_NAN = math.nan
_SIZES = (512, 256, 128)  # sides of tiles [px]; the first that leaves enough of them
_MOST_TILES = 24
_LEAST_TILES = 4
_HIGHEST = 0.2  # cycles/pixel: beyond, gaps between green samples alias
_LOWEST_BINS = 1.5  # of a tile's frequency step: below, the flattened part is too weak
_DETAIL = 4.0  # power of the scene over its error, for a frequency to be used
_MISFIT = 4.0  # root mean square residual, in stated errors: more is no motion of one frame
_LEAST_BINS = 200
_GROUPS = 8  # of tiles, for the jackknife
_LONGEST = 0.18  # of a tile: streaks longer than this are not resolved
_FLOOR_SIGMA = 2.0
_FLOOR_PX2 = 0.018  # standard deviation of trace C that registration, aliasing and focus leave of still frames
_SHAPE_SHARE = 0.04  # of trace C, that windows and the model of the shape leave
# Heavy tails (excess kurtosis above this) are rare in motion; a fit may end there beside the truth: up to a quarter.
_PEAKED, _PEAKED_SHARE = 0.8, 0.2
_SHARPER_SIGMA = 4.0
_UNREST_PX = 0.5
_MOVED_SHARE = 0.34  # of tiles that do not move with the rest, or do not resemble the reference
_STEADY_SHARE = 0.8  # of tiles that must agree, for a still frame to join the reference
_LIGHT_SPREAD = 0.25  # standard deviation of ln gain over tiles


@dataclass(frozen=True)
class SceneReference:
    """The still frames: chosen tiles (top, left) of side `size`, and the spectra of each frame, (tile, row, column).

    `noise` is the mean variance of a sample's noise in the still frames, `reduced` the picture that others are
    registered to, `usable` (row, column) the frequencies with detail above noise. Flags say why nothing can be
    compared with it.
    """

    shape: tuple[int, int]
    size: int
    tiles: tuple[tuple[int, int], ...]
    spectra: tuple[Spectrum, ...]
    noise: float
    reduced: NDArray[np.float32]
    usable: NDArray[np.bool_]
    members: tuple[int, ...] = ()  # which of the still frames `spectra` are of
    flags: tuple[str, ...] = ()

    def without(self, number: int) -> SceneReference:
        """Return the reference without one of the still frames, which can then be measured against the others."""
        rest = [(one, index) for one, index in zip(self.spectra, self.members, strict=True) if index != number]
        return replace(self, spectra=tuple(one for one, _ in rest), members=tuple(index for _, index in rest))


def scene_reference(frames: Iterable[SceneFrame]) -> SceneReference:
    """Return the reference from one or more still frames of one size, the first of which others are registered to.

    Frames are taken one after the other, so that they need not be in memory together.
    With flag "scene-poor" where there is too little detail to measure with.
    """
    rest = iter(frames)
    first = next(rest)
    best: tuple[int, list[tuple[int, int]]] = (_SIZES[-1], [])
    for size in _SIZES:
        tiles = choose_tiles(first, size, _MOST_TILES if size < 512 else _MOST_TILES // 2)
        if len(tiles) >= (8 if size > _SIZES[-1] else _LEAST_TILES):
            best = size, tiles
            break
    size, tiles = best
    reduced = first.reduced(REDUCED)
    empty = np.zeros((size, size // 2 + 1), dtype=bool)
    if len(tiles) < _LEAST_TILES:
        return SceneReference(first.shape, size, (), (), _NAN, reduced, empty, (), ("scene-poor",))
    shape = noise_shape(first.wanted, size)
    own = np.stack([spectrum(tile_around(first, top, left, size), size) for top, left in tiles])
    spectra, members = [own], [0]
    for number, frame in enumerate(rest, start=1):
        found = register_tiles(own, frame, reduced, tiles) if frame.shape == first.shape else None
        if found is not None and np.count_nonzero(found.agree) > _STEADY_SHARE * len(tiles):
            spectra.append(found.spectra)
            members.append(number)
    noise = float(np.mean([first.noise_variance(top, left, size) for top, left in tiles]))
    reference = SceneReference(first.shape, size, tuple(tiles), tuple(spectra), noise, reduced, empty, tuple(members))
    usable = _usable(reference, shape)
    flags = ("scene-poor",) if np.count_nonzero(usable) < _LEAST_BINS else ()
    return replace(reference, usable=usable, flags=flags)


def _power(reference: SceneReference, shape: Array) -> Array:
    """Return the power of the still scene, free of noise, (tile, row, column)."""
    count = len(reference.spectra)
    own = sum(np.abs(one).astype(np.float64) ** 2 for one in reference.spectra)
    if count == 1:
        return np.asarray(own - reference.noise * shape)
    total = np.abs(sum(one.astype(np.complex128) for one in reference.spectra)) ** 2
    return np.asarray((total - own) / (count * (count - 1)))


def _usable(reference: SceneReference, shape: Array) -> NDArray[np.bool_]:
    fy, fx = frequencies(reference.size)
    radius = np.hypot(fy, fx)
    band = (radius <= _HIGHEST) & (radius > _LOWEST_BINS / reference.size)
    band &= (fx > 0) | (fy > 0)  # the other half is its conjugate
    count = len(reference.tiles)
    detail = np.mean(_power(reference, shape), axis=0)
    detail = cv2.blur(np.asarray(detail, dtype=np.float32), (3, 3))
    return np.asarray(band & (detail > _DETAIL * reference.noise * shape / math.sqrt(count * len(reference.spectra))))


def measure_scene_streak(frame: SceneFrame, reference: SceneReference) -> Streak:
    """Return the streak of one frame against the reference, in the terms of `kitgauge.measure.blur.streak.Streak`.

    `edges_used` counts tiles. NaN without censoring, and a flag, where nothing can be said: "scene-poor",
    "single-frame" (the reference is this frame itself), "framing-differs" (no common scene found, or another frame
    size), "scene-clipped", "scene-moved" where too many tiles do not follow the rest, "scene-unclear" where no motion
    explains the difference. Censored "above" where frame and scene agree but the streak is too long for the tiles.
    """
    count = len(reference.tiles)
    if reference.flags or not reference.spectra:
        return _nothing(count, reference.flags or ("single-frame",))
    if frame.shape != reference.shape:
        return _nothing(count, ("framing-differs",))
    found = register_tiles(reference.spectra[0], frame, reference.reduced, reference.tiles)
    if found is None:
        return _nothing(count, ("framing-differs",))
    if np.count_nonzero(found.whole) < _LEAST_TILES:
        return _nothing(count, ("scene-clipped",))
    shape = noise_shape(frame.wanted, reference.size)
    still = np.mean([one.astype(np.complex128) for one in reference.spectra], axis=0)
    usable = reference.usable
    cross = (found.spectra * np.conj(still))[:, usable]
    power = _power(reference, shape)[:, usable]
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
    if agree.size < max(_LEAST_TILES, (1.0 - _MOVED_SHARE) * np.count_nonzero(found.whole)):
        return _nothing(count, ("scene-moved",))
    whole = transfer(agree)
    fit = fit_kernel(whole)
    longest = _LONGEST * reference.size
    if fit is not None and fit.misfit > _MISFIT:
        return _nothing(count, ("scene-unclear",))
    if fit is None or 12.0 * fit.trace_px2 > longest**2:
        return _above(longest, agree.size, count - agree.size)
    groups = [agree[start::_GROUPS] for start in range(min(_GROUPS, agree.size))]
    parts = [fit_kernel(transfer(np.setdiff1d(agree, group)), fit.parameters, fit.used) for group in groups]
    covariance = _jackknife([part.values for part in parts if part is not None]) + fit.shape_covariance
    flags = []
    gains = np.array([_gain(cross[tile], power[tile], whole, fit) for tile in agree])
    if float(np.std(np.log(np.maximum(gains, 1e-3 * fit.gain)))) > _LIGHT_SPREAD:
        flags.append("light-changed")
    values, covariance = _turned(fit.values, covariance, found.registration.matrix[:, :2])
    return _streak(fit, values, covariance, agree.size, count - agree.size, flags)


def _turned(values: Array, covariance: Array, linear: Array) -> tuple[Array, Array]:
    """Return C (xx, yy, xy) and its covariance in the axes of the blurred frame: M C M^T, M the registration's."""
    (a, b), (c, d) = linear
    turn = np.array([[a * a, b * b, 2 * a * b], [c * c, d * d, 2 * c * d], [a * c, b * d, a * d + b * c]])
    return turn @ values, turn @ covariance @ turn.T


def _gain(cross: NDArray[np.complex128], power: Array, transfer: TransferFunction, fit: KernelFit) -> float:
    """Return the gain of one tile: its cross spectrum against what the fit makes of its power."""
    model = transfer.value[fit.used] / fit.gain * power[fit.used]
    return float(np.real(np.vdot(model, cross[fit.used]))) / max(float(np.real(np.vdot(model, model))), 1e-300)


def _jackknife(values: Sequence[Array]) -> Array:
    """Return the (3, 3) covariance of the covariance's parts from fits with one group of tiles left out each."""
    table = np.array(values)
    centred = table - table.mean(axis=0)
    return np.asarray((len(table) - 1) / len(table) * centred.T @ centred)


def _streak(fit: KernelFit, values: Array, covariance: Array, used: int, dropped: int, flags: Sequence[str]) -> Streak:
    trace = float(values[0] + values[1])
    share = _PEAKED_SHARE if fit.kurtosis > _PEAKED else _SHAPE_SHARE
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
        edges_used=used,
        edges_dropped=dropped,
        reduced_chi_square=fit.misfit**2,
        flags=tuple(told),
    )


def _above(bound_px: float, used: int, dropped: int) -> Streak:
    nan = _NAN
    return Streak(nan, nan, nan, nan, nan, nan, nan, nan, nan, "above", bound_px, used, dropped, nan, ("too-blurred",))


def _nothing(dropped: int, flags: tuple[str, ...]) -> Streak:
    nan = _NAN
    return Streak(nan, nan, nan, nan, nan, nan, nan, nan, nan, None, nan, 0, dropped, nan, flags)
