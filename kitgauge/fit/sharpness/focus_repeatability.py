"""How repeatable focusing is, from frames that were focused anew one by one, and what the lens gives in perfect focus.

Model: each frame misses the best focus by a distance z in image space, normal with mean 0 and standard deviation s, the
same at all f-numbers. A miss makes a blur disc of diameter |z| / N (geometry of the cone of light; wave optics in
`measure.defocus`), on top of the lens's own blur at that f-number, so that ln MTF50 of a frame is
g_N(0) - loss_N(|z|), measured with its error. The lens's sharpness in perfect focus is a parameter per f-number: the
best of n frames is not it, because none need have hit the focus (too low) and because the best is picked by its noise
(too high). It is integrated out with a flat prior in its logarithm up to what diffraction and pixel allow: estimated
together with s, a few frames per f-number would let s come out too small (Neyman and Scott 1948, Econometrica 16, 1).
s has the prior 1 / (s + s_0), s_0 a miss too small to be seen: for a scale parameter the intervals then cover what they
claim (Jeffreys; Box and Tiao 1973, Bayesian Inference in Statistical Analysis, ch. 1 and 2, from memory).

Only edges in the middle of the frame are used, where one focuses. A steady offset of the focus cannot be told from a
softer lens where it is small against s, and counts as scatter where it is large.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from kitgauge.exposure import format_f_number, percent
from kitgauge.fit.sharpness.focus_tracks import place_of_track, region_of_track, track_edges
from kitgauge.measure.edges.defocus import LARGEST_DISC_PX, DefocusTable
from kitgauge.measure.edges.diffraction import GREEN_WAVELENGTH_UM, diffraction_px
from kitgauge.measure.edges.edge_sfr import EdgeMeasurement

Array = NDArray[np.float64]

LOST_SHARE = 1.0 / 3.0  # of MTF50: a frame that loses more shows it in a picture (common practice, no source)
FEWEST_DEGREES_OF_FREEDOM = 3
_FRAME_ERROR = 0.004  # of MTF50: what frames differ by without any focusing (sampling phase; own simulations)
_SCALES = 48
_DISCS = 900
_SMALLEST_DISC_PX = 0.01
_ONE_SIGMA = 0.8413447460685429  # one standard error above the middle of a normal distribution
_IMPOSSIBLE = 12.0  # of ln likelihood below the best: scales that are left out
_RARE = 0.01
_SEEN = 1.92  # half of the 95 % point of chi-square, 1 degree of freedom


@dataclass(frozen=True)
class FrameFocus:
    """One frame: its sharpness against the lens's, as the model sees it.

    `loss` is the share of MTF50 that focusing cost, with its standard error; `log_gain` = ln of what its MTF50 must be
    multiplied by for perfect focus, with its standard error.
    """

    frame: int
    mtf50_cy_per_px: float
    loss: float
    loss_stderr: float
    log_gain: float
    log_gain_stderr: float


@dataclass(frozen=True)
class FocusAtFNumber:
    """What focusing costs at one f-number.

    `lens_mtf50_cy_per_px` is the lens's in perfect focus; `best_mtf50_cy_per_px` and `mean_mtf50_cy_per_px` those of
    the frames. `lost_share` is the share of frames that lose `FocusRepeatability.lost_means` of MTF50 (a third) or
    more, `typical_loss` what 1 frame in 5 exceeds, with 95 % intervals; `allowed` is the miss [unit of sigma] that
    costs that much. `chosen` are the frames (numbers in the order given) that stand for the lens.
    """

    f_number: float
    frames: tuple[FrameFocus, ...]
    lens_mtf50_cy_per_px: float
    lens_mtf50_stderr: float
    best_mtf50_cy_per_px: float
    mean_mtf50_cy_per_px: float
    lost_share: float
    lost_share_ci: tuple[float, float]
    typical_loss: float
    typical_loss_ci: tuple[float, float]
    allowed: float
    chosen: tuple[int, ...]


@dataclass(frozen=True)
class FocusRepeatability:
    """Standard deviation of the focusing error in image space, in `unit` ("um", or "px" where the pitch is unknown).

    `detected` is False where the frames differ by no more than their noise: then `sigma_ci` begins at 0 and only its
    upper end says something.
    """

    sigma: float
    sigma_ci: tuple[float, float]
    unit: str
    detected: bool
    degrees_of_freedom: int
    region: str
    f_numbers: tuple[FocusAtFNumber, ...]
    text: str
    lost_means: float  # the share of MTF50 that `lost_share` counts as lost
    scales: Array  # (scale,) the distribution of sigma: values ...
    weights: Array  # (scale,) ... and their probability

    def at(self, f_number: float) -> FocusAtFNumber | None:
        """Return what holds at an f-number (within 1 %), None where it was not measured."""
        return next((item for item in self.f_numbers if abs(item.f_number / f_number - 1.0) < 0.01), None)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for `curves["sharpness"]["focusing"]`."""
        return {
            "sigma": self.sigma,
            "sigma_ci": list(self.sigma_ci),
            "unit": self.unit,
            "detected": self.detected,
            "degrees_of_freedom": self.degrees_of_freedom,
            "region": self.region,
            "lost_means": self.lost_means,
            "f_numbers": [asdict(item) for item in self.f_numbers],
            "text": self.text,
        }


def focus_repeatability(
    frames: Mapping[float, Sequence[Sequence[EdgeMeasurement]]],
    frame_shape: tuple[int, int],
    pitch_um: float | None = None,
    wavelength_um: float = GREEN_WAVELENGTH_UM,
    lost_means: float = LOST_SHARE,
) -> FocusRepeatability | None:
    """Return the repeatability of focusing from frames focused one by one.

    frames : per exact f-number the edges of each frame. frame_shape : (rows, columns). pitch_um : pixel pitch; None:
    diffraction is left out and errors are in pixels. lost_means : share of MTF50 (0 to 1) that counts as lost. None
    where fewer than three degrees of freedom (frames less f-numbers) are left: three frames at one f-number are not
    enough, four are.
    """
    region = _region(frames, frame_shape)
    if region is None:
        return None
    series = [
        _Series(f_number, *found, None if pitch_um is None else pitch_um, wavelength_um)
        for f_number, group in sorted(frames.items())
        if (found := _frame_values(group, frame_shape, region)) is not None
    ]
    freedom = sum(item.values.size - 1 for item in series)
    if freedom < FEWEST_DEGREES_OF_FREEDOM:
        return None
    seen = min(item.unseen_error for item in series)
    largest = max(item.largest_error for item in series)
    scales = np.geomspace(0.1 * seen, largest, _SCALES)
    coarse = _log_likelihood(series, scales, lost_means)
    detected = bool(coarse.max() - coarse[0] > _SEEN)
    likely = scales[coarse > coarse.max() - _IMPOSSIBLE]
    step = scales[1] / scales[0]
    scales = np.geomspace(likely[0] / step, likely[-1] * step, 2 * _SCALES)
    log_likelihood = _log_likelihood(series, scales, lost_means)
    posterior = np.exp(log_likelihood - log_likelihood.max()) * scales / (scales + seen)  # density in ln s
    posterior /= posterior.sum()
    low, middle, high = (_quantile(scales, posterior, share) for share in (0.025, 0.5, 0.975))
    found_at = tuple(item.result(scales, posterior) for item in series)
    unit = "px" if pitch_um is None else "um"
    interval = (low if detected else 0.0, high)
    return FocusRepeatability(
        sigma=middle,
        sigma_ci=interval,
        unit=unit,
        detected=detected,
        degrees_of_freedom=freedom,
        region=region,
        f_numbers=found_at,
        text=_text(found_at, detected, lost_means),
        lost_means=lost_means,
        scales=scales,
        weights=posterior,
    )


def _log_likelihood(series: Sequence[_Series], scales: Array, lost_means: float) -> Array:
    """Return (scale,) the logarithm of the likelihood, the lens integrated out at each f-number."""
    for item in series:
        item.integrate(scales, lost_means)
    return np.asarray(np.sum([item.log_evidence for item in series], axis=0))


def _region(frames: Mapping[float, Sequence[Sequence[EdgeMeasurement]]], shape: tuple[int, int]) -> str | None:
    """Return the region to use: the centre, else the one nearest to it that has edges."""
    nearest: tuple[float, str] | None = None
    for group in frames.values():
        for track in track_edges(group):
            x, y = place_of_track(track, shape)
            region = region_of_track(track, shape)
            distance = 0.0 if region == "centre" else math.hypot(x - 0.5, y - 0.5)
            if nearest is None or distance < nearest[0]:
                nearest = distance, region
    return None if nearest is None else nearest[1]


def _frame_values(
    frames: Sequence[Sequence[EdgeMeasurement]], shape: tuple[int, int], region: str
) -> tuple[tuple[int, ...], Array, Array] | None:
    """Return (frame numbers, ln MTF50, its error) of the frames of one f-number, None without two of them.

    The edges of a region differ truly, so only edges enter that every frame shows; a frame that shows few of them is
    left out where that keeps more edges.
    """
    tracks = [track for track in track_edges(frames) if region_of_track(track, shape) == region]
    if not tracks:
        return None
    counts = {number: sum(number in track for track in tracks) for number in range(len(frames))}
    numbers = [number for number, count in counts.items() if 2 * count > max(counts.values())]
    common = [track for track in tracks if all(number in track for number in numbers)]
    if not common:
        common = [max(tracks, key=len)]
        numbers = sorted(common[0])
    if len(numbers) < 2:
        return None
    relative = np.array([[t[n].mtf50_stderr / t[n].mtf50_cy_per_px for n in numbers] for t in common])
    logs = np.array([[math.log(t[n].mtf50_cy_per_px) for n in numbers] for t in common])
    share = 1.0 / (np.mean(relative**2, axis=1) + _FRAME_ERROR**2)
    share /= share.sum()
    error = np.sqrt(np.sum((share[:, None] * relative) ** 2, axis=0) + _FRAME_ERROR**2)
    return tuple(numbers), np.asarray(share @ logs), error


class _Series:
    """The frames of one f-number: likelihoods over misses, lens sharpness and scale."""

    def __init__(
        self, f_number: float, numbers: tuple[int, ...], values: Array, error: Array, pitch_um: float | None,
        wavelength_um: float,
    ) -> None:  # fmt: skip
        self.f_number, self.numbers, self.values, self.error = f_number, numbers, values, error
        cutoff = 0.0 if pitch_um is None else float(diffraction_px(f_number, pitch_um, wavelength_um))
        table = DefocusTable(cutoff)
        self.per_px = f_number * (1.0 if pitch_um is None else pitch_um)  # error in image space per pixel of blur disc
        self.lens = _lens_grid(values, error, max(table.ceiling, float(values.max()) + 1e-3))  # (lens,) ln MTF50
        disc_edges = np.geomspace(_SMALLEST_DISC_PX, LARGEST_DISC_PX, _DISCS + 1)
        self.disc = np.sqrt(disc_edges[1:] * disc_edges[:-1])
        self.disc_edges = np.concatenate([[0.0], disc_edges[1:]])  # misses below the first disc are none
        sigma = table.sigma_of(self.lens)
        in_focus = table.log_mtf50(sigma, 0.0)
        self.loss = np.maximum(in_focus[:, None] - table.log_mtf50(sigma[:, None], self.disc), 0.0)  # (lens, disc)
        misfits = ((value - self.lens[:, None] + self.loss) / own for value, own in zip(values, error, strict=True))
        self.densities = [np.exp(-0.5 * misfit**2) for misfit in misfits]  # per frame (lens, disc)
        best = int(np.argmin(np.abs(self.lens - values.max())))
        small = float(error.min())
        self.unseen_error = self.per_px * float(np.interp(small, self.loss[best], self.disc))
        self.largest_error = self.per_px * 0.5 * LARGEST_DISC_PX

    def integrate(self, scales: Array, lost_means: float) -> None:
        """Set `log_evidence` (scale,) and `lens_share` (scale, lens), a distribution of the lens per scale."""
        edges = self.disc_edges[:, None] * self.per_px / scales
        share = np.diff(2.0 * ndtr(edges) - 1.0, axis=0)  # (disc, scale): share of misses
        log_total = np.zeros((self.lens.size, scales.size))
        for density in self.densities:
            log_total += np.log(density @ share + 1e-300)
        width = np.gradient(self.lens)[:, None]
        top = log_total.max(axis=0)
        evidence = (np.exp(log_total - top) * width).T  # (scale, lens)
        self.log_evidence = top + np.log(evidence.sum(axis=1))
        self.lens_share = evidence / evidence.sum(axis=1, keepdims=True)
        wanted = -math.log1p(-lost_means)
        self._lost_disc = np.array([np.interp(wanted, loss, self.disc, right=math.inf) for loss in self.loss])

    def result(self, scales: Array, posterior: Array) -> FocusAtFNumber:
        """Return what the f-number says under the distribution of the scale."""
        joint = self.lens_share * posterior[:, None]  # (scale, lens)
        # skewed: the lens may be much better than the best frame, hardly worse; the longer side is its error
        middle, high = (_quantile(self.lens, joint.sum(axis=0), share) for share in (0.5, _ONE_SIGMA))
        spread = high - middle
        found = []
        for number, value, error in zip(self.numbers, self.values, self.error, strict=True):
            gain = max(middle - float(value), 0.0)
            kept = math.exp(-gain)
            gain_error = math.hypot(spread, float(error))
            found.append(FrameFocus(number, math.exp(value), 1.0 - kept, kept * gain_error, gain, gain_error))
        reach = self._lost_disc[None, :] * self.per_px / scales[:, None]
        lost_share = 2.0 * ndtr(-reach)
        disc = 1.2815515655446004 * scales / self.per_px  # 80 % of |z| lie within 1.28 s
        typical = np.array([1.0 - np.exp(-np.interp(disc, self.disc, loss)) for loss in self.loss]).T
        return FocusAtFNumber(
            f_number=self.f_number,
            frames=tuple(found),
            lens_mtf50_cy_per_px=math.exp(middle),
            lens_mtf50_stderr=spread * math.exp(middle),
            best_mtf50_cy_per_px=float(np.exp(self.values.max())),
            mean_mtf50_cy_per_px=float(np.exp(self.values).mean()),
            lost_share=_quantile(lost_share, joint, 0.5),
            lost_share_ci=(_quantile(lost_share, joint, 0.025), _quantile(lost_share, joint, 0.975)),
            typical_loss=_quantile(typical, joint, 0.5),
            typical_loss_ci=(_quantile(typical, joint, 0.025), _quantile(typical, joint, 0.975)),
            allowed=self.per_px * float(np.interp(middle, self.lens, self._lost_disc)),
            chosen=_chosen(found),
        )


def _lens_grid(values: Array, error: Array, ceiling: float) -> Array:
    """Return ln MTF50 of the lens: fine about the best frame, wider steps up to the ceiling."""
    fine = 0.5 * float(error.min())
    best = float(values.max())
    low, high = best - 5.0 * float(error.max()), min(best + 12.0 * fine, ceiling)
    grid = [np.arange(low, high, fine)]
    if ceiling > high:
        count = max(math.ceil(24.0 * math.log1p((ceiling - high) / (4.0 * fine))), 2)
        grid.append(high + 4.0 * fine * np.expm1(np.linspace(0.0, math.log1p((ceiling - high) / (4.0 * fine)), count)))
    return np.concatenate(grid)


def _chosen(frames: Sequence[FrameFocus]) -> tuple[int, ...]:
    """Return the frames that stand for the lens: the best one, and those that cost hardly more than it."""
    best = min(frames, key=lambda item: item.log_gain)
    near = [item.frame for item in frames if item.log_gain < best.log_gain + max(0.01, best.log_gain_stderr)]
    return tuple(sorted(near))


def _quantile(values: Array, weights: Array, share: float) -> float:
    order = np.argsort(values, axis=None)
    flat, cumulative = values.ravel()[order], np.cumsum(weights.ravel()[order])
    return float(np.interp(share * cumulative[-1], cumulative - 0.5 * weights.ravel()[order], flat))


def _text(found: Sequence[FocusAtFNumber], detected: bool, lost_means: float) -> str:
    """Return the repeatability as a sentence or two, at the widest aperture."""
    widest = found[0]
    at = format_f_number(widest.f_number)
    low, high = widest.lost_share_ci
    part = lost_part(lost_means)
    if not detected:
        return (
            f"Focused anew for each frame, the frames differ by no more than their noise: at {at} "
            f"{'' if high < _RARE else 'at most '}{one_in(high)} frames loses {part} of its sharpness."
        )
    lead = f"{one_in(widest.lost_share)} frames at {at} loses {part} of its sharpness to focusing"
    fifth = f"1 in 5 loses {100 * widest.typical_loss:.0f} % or more"
    return f"{lead[0].upper()}{lead[1:]} (95 %: {one_in(low)} to {one_in(high)}); {fifth}."


def lost_part(share: float) -> str:
    """Return a share of sharpness in words: "a third", "25 %"."""
    return "a third" if abs(share - 1.0 / 3.0) < 1e-6 else percent(share)


def one_in(share: float) -> str:
    """Return a share of frames in words that count: "1 in 5", "2 in 3", "fewer than 1 in 100"."""
    if share < _RARE:
        return "fewer than 1 in 100"
    if share > 0.9:
        return "more than 9 in 10"
    if share <= 0.4:
        count = round(1.0 / share)
        return f"1 in {count if count < 20 else round(count, -1)}"
    best = min(
        ((k, n) for n in range(2, 11) for k in range(1, n)), key=lambda p: (round(abs(p[0] / p[1] - share), 2), p[1])
    )
    return f"{best[0]} in {best[1]}"
