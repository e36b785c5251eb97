"""The highest ISO of a plan, and the SNR to expect: from the accepted limit and the curve behind it.

Pure standard library.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, NamedTuple

from kitgauge.exposure import exact_iso, format_exact_iso
from kitgauge.intervals import NORMAL_95
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.setting_words import iso_up_to
from kitgauge.limits.several import labels
from kitgauge.planner.basis import MEASURED, PRACTICE, SCALED, Basis, Because
from kitgauge.planner.kit_model import KitModel
from kitgauge.planner.request import CameraFacts, PlanRequest

if TYPE_CHECKING:
    from kitgauge.limits.entries import AcceptedLimit

PRACTICE_ISO_LIMIT = 3200.0  # common practice, no source


class NoiseBound(NamedTuple):
    """Highest ISO (exact), and the SNR at an ISO: `snr(iso)` gives (value, low, high), NaN = not known."""

    iso_limit: float
    snr: Callable[[float], tuple[float, float, float]]
    wanted_snr: float
    output_mp: float
    because: Because


def noise_bound(
    request: PlanRequest, limits: Sequence[AcceptedLimit], camera: CameraFacts, model: KitModel
) -> NoiseBound:
    """Return the highest ISO for the wanted SNR and output size, and a function that predicts SNR."""
    defaults = Criteria()
    measured = [limit for limit in limits if limit.limit.kind == "iso"]
    wanted_mp, wanted_snr = request.output_mp, request.snr
    best = max(
        measured,
        key=lambda item: (
            _agrees(wanted_snr, item.limit.criterion.get("snr"))
            + _agrees(wanted_mp, item.limit.criterion.get("output_mp")),
            item.accepted_at,
        ),
        default=None,
    )
    mp0 = snr0 = math.nan
    if best is not None:
        snr0 = best.limit.criterion.get("snr", defaults.snr)
        mp0 = best.limit.criterion.get("output_mp", defaults.output_mp)
    output_mp = wanted_mp or (mp0 if best else defaults.output_mp)
    snr = wanted_snr or (snr0 if best else defaults.snr)
    pixels = camera.sensor_pixels or model.sensor_pixels
    predict = _snr_function(model, pixels, output_mp, best, snr0, mp0)
    if best is None:
        text = f"ISO {PRACTICE_ISO_LIMIT:.0f} is taken as the highest; this body was not measured"
        return NoiseBound(exact_iso(PRACTICE_ISO_LIMIT), predict, snr, output_mp, Because(PRACTICE, text))
    iso0 = best.limit.value["iso"]
    note = ""
    if len(measured) > 1:
        fits = "fits --output-mp" if _agrees(wanted_mp, mp0) else "was accepted last"
        note = f"of {len(measured)} ISO limits ({', '.join(labels(measured))}) the one that {fits}"
    same_size = abs(math.log2(output_mp / mp0)) < 1e-3
    text = f"SNR {snr:g} in a picture of {output_mp:.3g} MP{_shadow(best)}"
    if same_size and abs(math.log2(snr / snr0)) < 1e-3:
        return NoiseBound(
            iso0, predict, snr, output_mp, Because(MEASURED, f"{text}: up to {iso_up_to(iso0)}", best.run, note)
        )
    scale = _scale_function(model, pixels)
    iso, basis = _iso_for(model, iso0, snr / snr0 * scale(iso0, mp0), lambda value: scale(value, output_mp))
    text += f": up to {iso_up_to(iso)}, from {format_exact_iso(iso0)} for SNR {snr0:g} in one of {mp0:.3g} MP"
    return NoiseBound(iso, predict, snr, output_mp, Because(basis, text, best.run, note))


def _shadow(accepted: AcceptedLimit) -> str:
    """Return what the accepted limit also asks of a shadow, in words."""
    stops, snr = (accepted.limit.criterion.get(name) for name in ("shadow_stops", "shadow_snr"))
    return "" if stops is None or snr is None else f" and {snr:g} in a shadow {stops:g} stops below mid-grey"


def _agrees(wanted: float | None, given: float | None) -> bool:
    return wanted is not None and given is not None and math.isclose(wanted, given, rel_tol=1e-6)


def _scale_function(model: KitModel, pixels: float | None) -> Callable[[float, float], float]:
    """Return SNR of a picture over SNR per pixel, for an ISO and megapixels; relative only without `pixels`."""
    if pixels is None:
        return lambda _, output_mp: 1.0 / math.sqrt(output_mp)
    return lambda iso, output_mp: model.picture_scale(iso, output_mp, pixels)


def _iso_for(model: KitModel, iso0: float, wanted: float, scale: Callable[[float], float]) -> tuple[float, Basis]:
    """Return the ISO whose picture has `wanted` times the SNR per pixel of `iso0`, on the measured curve, else by
    photon noise alone.

    scale : SNR of the picture over SNR per pixel at an ISO.
    """
    start, _ = model.snr_per_pixel(iso0)
    if math.isnan(start):
        return iso0 * (scale(iso0) / wanted) ** 2, SCALED
    low, high = model.noise[0][0], model.noise[-1][0]

    def reaches(iso: float) -> bool:
        return model.snr_per_pixel(iso)[0] * scale(iso) >= start * wanted

    if reaches(high):
        return high, MEASURED  # nothing is promised beyond what was measured
    if not reaches(low):
        return low, MEASURED
    for _ in range(60):  # SNR falls with ISO: halve the bracket in log ISO
        middle = math.sqrt(low * high)
        if reaches(middle):
            low = middle
        else:
            high = middle
    return low, MEASURED


def _snr_function(
    model: KitModel,
    pixels: float | None,
    output_mp: float,
    best: AcceptedLimit | None,
    snr0: float,
    mp0: float,
) -> Callable[[float], tuple[float, float, float]]:
    """Return the SNR of the picture at an ISO: from the curve and the pixel count, else relative to the
    limit.
    """

    def snr(iso: float) -> tuple[float, float, float]:
        value, error = model.snr_per_pixel(iso)
        if not math.isnan(value) and pixels is not None:
            factor = model.picture_scale(iso, output_mp, pixels)
            spread = NORMAL_95 * error
            return value * factor, (value - spread) * factor, (value + spread) * factor
        if best is None:
            return math.nan, math.nan, math.nan
        iso0 = best.limit.value["iso"]
        start, _ = model.snr_per_pixel(iso0)
        # photon noise alone where there is no curve: SNR falls with the root of the exposure
        relative = math.sqrt(iso0 / iso) if math.isnan(value) or math.isnan(start) else value / start
        return snr0 * relative * math.sqrt(mp0 / output_mp), math.nan, math.nan

    return snr
