"""What raising ISO in the camera brings in the shadows, what it costs in highlights, and which values to avoid.

At a fixed exposure the light's own noise is the same at every ISO; what changes is the noise of the darkest tones,
referred to the photosite: N = sqrt(sigma_r^2 + g^2/12) [e-], read noise and the rounding to whole DN, which
brightening a picture later brings up too. A step of ISO lowers log2 N by its shadow gain and lowers saturation
[e-] by its price in highlights, as a rule one stop per stop.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from typing import Any

from kitgauge.fit.noise.iso_meaning import IsoValue
from kitgauge.fit.noise.noise_invariance import INVARIANCE_STOPS, Invariance, invariance, share_in_words
from kitgauge.fit.noise.noise_iso import NoiseFit
from kitgauge.measure.noise.dynamic_range import ROUNDING_DN2
from kitgauge.measure.noise.noise_points import NoisePoint


@dataclass(frozen=True)
class ShadowStep:
    """What one measured ISO value brings against the one below it [stops]; NaN unknown."""

    from_iso: float
    iso: float
    shadow_gain_stops: float
    shadow_gain_stops_stderr: float
    highlight_price_stops: float
    highlight_price_stops_stderr: float
    digital: bool


@dataclass(frozen=True)
class AvoidedIso:
    """An ISO value that brings nothing over another one, and which to use instead (None where that is not known)."""

    iso: float
    reason: str  # "pushed", "pulled" or "same as"
    text: str
    instead_iso: float | None

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return asdict(self)


@dataclass(frozen=True)
class ShadowGain:
    """The ISO above which raising it gains less than `stops_wanted` in the shadows, and every step's gain and price.

    `iso` is None where there is none; an end of `iso_ci` is NaN where it is open or unknown.
    """

    stops_wanted: float
    iso: float | None
    iso_ci: tuple[float, float]
    table: tuple[ShadowStep, ...]
    avoid: tuple[AvoidedIso, ...]
    text: str

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON: what stands under `fit.shadow`; `avoid` stands beside it."""
        return {
            "stops_wanted": self.stops_wanted,
            "iso": self.iso,
            "iso_ci": list(self.iso_ci),
            "table": [asdict(step) for step in self.table],
            "text": self.text,
        }


def shadow_gain(
    points: Sequence[NoisePoint],
    fit: NoiseFit,
    stops_wanted: float = INVARIANCE_STOPS,
    meaning: Sequence[IsoValue] = (),
) -> ShadowGain:
    """Return the ISO above which a higher one gains less than `stops_wanted` (> 0) in the shadows.

    The ISO comes from the fitted model (`noise_invariance`; for a third of a stop it is `fit.invariance_iso`), the
    steps from the measured points of the fit's channel alone. `meaning` (`iso_meaning(...).values`) tells which values
    are made digitally.
    """
    if not stops_wanted > 0:
        raise ValueError(f"stops_wanted must be above 0, got {stops_wanted}")
    found = invariance(fit.result, fit.gain, fit.isos, fit.split, stops_wanted)
    digital = {value.iso for value in meaning if value.kind != "amplified"}
    chosen = sorted(
        (p for p in points if p.channel == fit.channel and p.gain_e_per_dn > 0 and p.read_noise_e > 0),
        key=lambda p: p.iso,
    )
    table = tuple(_step(a, b, b.iso in digital) for a, b in pairwise(chosen))
    avoid = avoided(meaning)
    return ShadowGain(
        stops_wanted,
        found.iso,
        (found.ci_low, found.ci_high),
        table,
        avoid,
        _sentence(stops_wanted, found, table),
    )


def avoided(meaning: Sequence[IsoValue]) -> tuple[AvoidedIso, ...]:
    """Return the ISO values that are made digitally, lowest first, and what to use instead."""
    return tuple(_avoided(value) for value in sorted(meaning, key=lambda v: v.iso) if value.kind != "amplified")


def _step(low: NoisePoint, high: NoisePoint, digital: bool) -> ShadowStep:
    noises, errors = zip(*(_log2_black_noise(p) for p in (low, high)), strict=True)
    price = math.nan
    if low.saturation_e > 0 and high.saturation_e > 0:
        price = math.log2(low.saturation_e / high.saturation_e)
    return ShadowStep(
        from_iso=low.iso,
        iso=high.iso,
        shadow_gain_stops=noises[0] - noises[1],
        shadow_gain_stops_stderr=math.hypot(*errors),
        highlight_price_stops=price,
        highlight_price_stops_stderr=math.hypot(*(_saturation_stderr_stops(p) for p in (low, high))),
        digital=digital,
    )


def _log2_black_noise(point: NoisePoint) -> tuple[float, float]:
    """Return log2 of read noise with rounding [e-] and its standard error: that of the gain, which is common to both
    parts, and that of read noise in DN."""
    read_dn = point.read_noise_e / point.gain_e_per_dn
    black_dn2 = read_dn**2 + ROUNDING_DN2
    own = point.read_noise_dn_stderr
    if math.isnan(own):
        own = point.read_noise_e_stderr / point.gain_e_per_dn
    error = math.hypot(read_dn * own / black_dn2, point.gain_e_per_dn_stderr / point.gain_e_per_dn)
    return math.log2(point.gain_e_per_dn) + 0.5 * math.log2(black_dn2), error / math.log(2.0)


def _saturation_stderr_stops(point: NoisePoint) -> float:
    """Return the error of log2 saturation; where saturation is the file's white level, that of the gain."""
    error = point.saturation_e_stderr
    if math.isnan(error):
        error = point.saturation_e * point.gain_e_per_dn_stderr / point.gain_e_per_dn
    return error / point.saturation_e / math.log(2.0)


def _avoided(value: IsoValue) -> AvoidedIso:
    label = f"ISO {value.iso:g}"
    if value.made_from_iso is None:
        return AvoidedIso(value.iso, value.kind, f"{label} is scaled digitally: it brings nothing.", None)
    source = f"ISO {value.made_from_iso:g}"
    texts: Mapping[str, str] = {
        "pushed": f"{label} is {source} made brighter by numbers alone: no cleaner, and highlights are cut off "
        f"earlier. Use {source} and brighten later.",
        "pulled": f"{label} is {source} made darker by numbers alone: highlights clip where they clip at {source}. "
        f"Use {source}; more light cleans it just the same.",
        "same as": f"{label} holds the same raw samples as {source}: only the label and the preview "
        f"differ. Use {source}.",
    }
    return AvoidedIso(value.iso, value.kind, texts[value.kind], value.made_from_iso)


def _sentence(stops: float, found: Invariance, table: Sequence[ShadowStep]) -> str:
    if found.iso is None:
        return found.text[0].upper() + found.text[1:] + "."
    interval = ""
    if math.isfinite(found.ci_low) and math.isfinite(found.ci_high) and round(found.ci_low) != round(found.ci_high):
        interval = f" (95 % interval {found.ci_low:.0f} to {found.ci_high:.0f})"
    text = (
        f"Above ISO {found.iso:.0f}{interval}, raising ISO in the camera cleans the shadows by less than "
        f"{share_in_words(stops)} in all: brightening later does nearly as well"
    )
    above = [step for step in table if step.from_iso >= found.iso and math.isfinite(step.highlight_price_stops)]
    labelled = sum(math.log2(step.iso / step.from_iso) for step in above)
    if not above:
        return text + "."
    price = sum(step.highlight_price_stops for step in above) / labelled
    return f"{text}, and each stop of ISO there costs {price:.1f} of highlights."
