"""What a noise run writes below `noise` in curves.json: the points and everything that follows from them."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from kitgauge.fit.noise.iso_meaning import IsoMeaning, iso_meaning
from kitgauge.fit.noise.linearity import linearity
from kitgauge.fit.noise.noise_iso import NoiseFit
from kitgauge.fit.noise.shadow_gain import avoided, shadow_gain
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.light_limit import light_limits
from kitgauge.limits.picture import spectrum_entries
from kitgauge.measure.noise.light_colour import grey_ratios, lights_of
from kitgauge.measure.noise.noise_points import MIDGREY_FRACTION_OF_SATURATION, NoisePoint, PlanePairs, snr
from kitgauge.measure.noise.snr_curve import snr_against_exposure
from kitgauge.runs.photon_transfer_rows import PhotonTransfer

_CURVE_POINTS = 60
_DRAWS = 400


def noise_section(
    points: Sequence[NoisePoint],
    fit: NoiseFit | None,
    planes: Mapping[float, Sequence[PlanePairs]],
    groups: Mapping[float, Mapping[str, Any]],
    criteria: Criteria,
    shape: tuple[int, int] | None,
    transfer: PhotonTransfer,
) -> dict[str, Any]:
    """Return the `noise` section of curves.json.

    planes : the settled pairs by ISO; groups : the measurements they come from; shape : rows and columns of a frame;
    transfer : of `planes`.
    """
    meaning = iso_meaning(points, fit, planes)
    saturation_dn = {
        (point.iso, point.channel): point.saturation_e / point.gain_e_per_dn
        for point in points
        if point.saturation_e > 0 and point.gain_e_per_dn > 0
    }
    digital = {one.iso for one in avoided(meaning.values)}
    lights: list[dict[str, Any]] = []
    if shape is not None:
        colours = lights_of([ratio for pairs in planes.values() for ratio in grey_ratios(pairs)])
        lights = light_limits(points, fit, criteria, shape[0] * shape[1], colours, shape, digital)
    return {
        "points": [point.as_dict() for point in points],
        "fit": None if fit is None else _fit(points, fit, meaning),
        **transfer.as_curves(),
        "linearity": [one.as_dict() for one in linearity(planes, saturation_dn)],
        "iso_meaning": meaning.as_dict(),
        "snr_against_exposure": [curve.as_dict() for curve in snr_against_exposure(points)],
        "spectrum": spectrum_entries(points),
        "lights": lights,
        "pictures": [{**one, "iso": iso} for iso, group in groups.items() for one in group["pictures"]],
        "not_pictured": dict(sum((Counter(group["not_pictured"]) for group in groups.values()), Counter[str]())),
    }


def _fit(points: Sequence[NoisePoint], fit: NoiseFit, meaning: IsoMeaning) -> dict[str, Any]:
    return {
        **fit.as_dict(),
        "shadow": shadow_gain(points, fit, meaning=meaning.values).as_dict(),
        "avoid": [one.as_dict() for one in avoided(meaning.values)],
        "curves": _curves(points, fit),
    }


def _curves(points: Sequence[NoisePoint], fit: NoiseFit) -> dict[str, dict[str, list[float]]]:
    """Return the fitted model sampled over the measured ISO range, green: read noise and SNR at mid-grey.

    Bands (95 %) come from draws of the fitted parameters' covariance with a fixed seed; `low` and `high` are NaN
    where the fit has no covariance.
    """
    green = sorted(
        (point for point in points if point.channel == fit.channel and math.isfinite(point.read_noise_e)),
        key=lambda point: point.iso,
    )
    isos = np.geomspace(min(p.iso for p in green), max(p.iso for p in green), _CURVE_POINTS)
    if fit.dual_gain_iso is not None:  # the step is drawn where it is: between two measured values
        isos = np.unique(np.concatenate([isos, [fit.dual_gain_iso * (1 - 1e-6), fit.dual_gain_iso]]))
    # saturation is white at most ISO values, a full well below it at the lowest
    spans_dn = np.interp(
        np.log(isos), [math.log(p.iso) for p in green], [p.saturation_e / p.gain_e_per_dn for p in green]
    )
    gains = np.array([fit.gain_e_per_dn(iso) for iso in isos])
    reads = np.array([fit.read_noise_e(iso) for iso in isos])

    def snrs(read_noise_e: np.ndarray) -> np.ndarray:
        return np.array(
            [
                snr(MIDGREY_FRACTION_OF_SATURATION * gain * span_dn, read, gain)
                for gain, span_dn, read in zip(gains, spans_dn, read_noise_e, strict=True)
            ]
        )

    low = high = np.full_like(reads, math.nan)
    if np.isfinite(fit.result.covariance).all():
        draws = np.random.default_rng(0).multivariate_normal(fit.result.values, fit.result.covariance, size=_DRAWS)
        second = np.array([fit.dual_gain_iso is not None and iso >= fit.dual_gain_iso for iso in isos])
        sigma_0 = np.where(second, draws[:, [-2]], draws[:, [0]])
        low, high = np.percentile(np.hypot(sigma_0, draws[:, [-1]] * gains), [2.5, 97.5], axis=0)
    return {
        "read_noise_e": _sampled(isos, reads, low, high),
        "snr_midgrey": _sampled(isos, snrs(reads), snrs(high), snrs(low)),
    }


def _sampled(x: np.ndarray, y: np.ndarray, low: np.ndarray, high: np.ndarray) -> dict[str, list[float]]:
    return {"x": x.tolist(), "y": y.tolist(), "low": low.tolist(), "high": high.tolist()}
