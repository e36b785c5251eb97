"""How the numbers of a noise run are made: formula, source, and what each cannot tell; what all of them leave open.

Constants of this module, put on the page as HTML; a line stands there only if the run holds what it explains.
"""

from __future__ import annotations

import html
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from kitgauge.report.data import mapping, number, records, text
from kitgauge.report.fit_table import formula


@dataclass(frozen=True)
class Formula:
    """One line of "how it was done": the formula as HTML, where it is from, and what the number cannot tell."""

    formula: str
    source: str
    cannot: str = ""


_GAIN = (
    Formula(
        "Gain from pairs of flats A, B with level ratio r: "
        "g = (1 + r) S<sub>A</sub> / (var(A − r B) − (1 + r²) σ<sub>d</sub>²); all pairs of an ISO are fitted "
        "together, and of more than two frames each is compared with the mean of those before it",
        "photon transfer, EMVA 1288 Release 4; the level ratio is a generalisation of its pair method",
        "whether noise reduction inside the sensor has already taken some of the scatter away, where it leaves no "
        "trace from neighbour to neighbour",
    ),
    Formula(
        "Read noise from pairs of dark frames, less the quantisation 1/12 DN², rows' and columns' own noise apart",
        "EMVA 1288 Release 4",
        "which part of the camera it comes from",
    ),
)
_MODEL = Formula(
    "Read noise against ISO: σ<sub>r</sub>² = σ<sub>0</sub>² + (σ<sub>1</sub> g)², "
    "with a second stage where the points support one",
    "common practice, no source",
    "what happens between two measured ISO values, if the camera switches there",
)
_MIDGREY = Formula(
    "Mid-grey is 10/78 = 12.8 % of saturation; SNR 10 first acceptable, 40 first excellent",
    "ISO 12232",
    "how noisy a picture looks: that depends on its structure and on who looks",
)
_PICTURE = Formula(
    "SNR of the picture = SNR of a pixel × √(sensor pixels / output pixels) where noise is white; where it is not, the "
    "part of the measured spectrum below the output's own limit counts",
    "variance of a mean of independent samples; spectrum as in ISO 15739",
    "what a raw developer's noise reduction makes of it",
)
_SATURATION = Formula(
    "Saturation in electrons: gain × (level of a clipped flat, else the file's white level, less black); where codes "
    "were scaled down, the converter's last code less black times the scaling",
    "EMVA 1288 Release 4",
    "where it is the white level: whether the sensor reaches it at this ISO",
)
_RANGE = Formula(
    "Dynamic range: log<sub>2</sub>(saturation / σ<sub>r</sub>), and by ISO 15739 log<sub>2</sub>(saturation / "
    "S<sub>1</sub>), with S<sub>1</sub> / √(S<sub>1</sub> + σ<sub>r</sub>² + g²/12) = 1",
    "engineering practice; ISO 15739 (its wording from memory)",
    "how many stops a picture shows: lens flare and taste take some of them",
)
_FIXED = Formula(
    "PRNU and DSNU from the averages of flats and darks, the temporal noise of those averages taken out",
    "EMVA 1288 Release 4",
    "the lens's and the card's own unevenness from the sensor's, over large areas",
)
_LINEAR = Formula(
    "Linearity: the straight line through the levels from 5 to 95 % of saturation against t / N² with the least "
    "relative departures",
    "EMVA 1288 Release 4 (clause from memory)",
    "the sensor's departures from those of shutter, diaphragm and light: all of them look the same",
)
_MEANING = Formula(
    "What ISO means: level of the flats over their exposure (t / N²), compared between ISO values, shutter times and "
    "apertures that overlap",
    "photometry: exposure is proportional to t / N² (ISO 12232)",
    "absolute sensitivity: the light itself was not measured, and its drift is told apart only as far as settings "
    "repeat",
)
_SHADOW = Formula(
    "Shadow gain of a step of ISO: how much √(σ<sub>r</sub>² + g²/12), in electrons, falls; highlight price: how much "
    "saturation, in electrons, falls",
    "definition of this program",
    "stripes and blotches in shadows that are brightened by many stops",
)
_LIGHTS = Formula(
    "Daylight and lamp light: red and blue are multiplied until a grey card is grey, and their noise with them",
    "linear error propagation; a balance that was estimated: Planck's law",
    "lights of other colours, and mixed light; colours mixed by a raw developer, which adds noise",
)
_SPECTRUM = Formula(
    "Spectrum: mean noise power density of the difference of two frames within |f<sub>x</sub>|, |f<sub>y</sub>| ≤ f, "
    "against white noise of the same size",
    "EMVA 1288 Release 4 (spectrogram), ISO 15739",
)
_DARK = Formula(
    "Dark current I: level = black + K I t and variance = σ<sub>d</sub>² + K² I t (K = 1/g); t the "
    "exact times behind the marked ones, powers of two: 15 s is 16 s, 30 s is 32 s",
    "EMVA 1288 Release 4",
    "a camera that keeps to marked times: where 30 s are 30 s, I is higher by 7 %; "
    "other temperatures: dark current doubles with every 6 to 8 °C (common practice, no source)",
)
_DEVELOPED = Formula(
    "Developed pictures: values are made linear again by the picture's own colour profile (sRGB without one); noise "
    "from the differences of pairs, carried over to mid-grey, code 118 in sRGB",
    "IEC 61966-2-1; ISO 12232, ISO 15739",
    "the camera's own tone curve, which is still in it: levels are not the sensor's",
)


def noise_formulas(noise: Mapping[str, Any]) -> list[Formula]:
    """Return the lines that explain what a noise run holds."""
    developed, dark = mapping(noise.get("developed")), mapping(noise.get("dark_current"))
    if developed:
        return [_DEVELOPED, _PICTURE]
    points = records(noise.get("points"))
    fit = mapping(noise.get("fit"))
    found = [_DARK] if dark else []
    found += [*_GAIN]
    found += [_MODEL] if mapping(fit.get("parameters")) else []
    found += [_MIDGREY, _PICTURE]
    found += [_SATURATION] if any(text(p.get("saturation_source")) for p in points) else []
    found += [_RANGE] if _any(points, "dynamic_range_iso15739_stops") else []
    found += [_FIXED] if _any(points, "prnu") or _any(points, "dsnu_e") else []
    found += [_LINEAR] if records(noise.get("linearity")) else []
    found += [_MEANING] if records(mapping(noise.get("iso_meaning")).get("values")) else []
    found += [_SHADOW] if records(mapping(fit.get("shadow")).get("table")) else []
    found += [_LIGHTS, *_light_definitions(noise)] if records(noise.get("lights")) else []
    found += [_SPECTRUM] if records(noise.get("spectrum")) else []
    return found


def _light_definitions(noise: Mapping[str, Any]) -> list[Formula]:
    """Return what the run itself says of the SNR that its limits in each light hold to."""
    said = dict.fromkeys(text(row.get("snr_definition")) for row in records(noise.get("lights")))
    return [
        Formula(
            f"The ratio that counts there: {html.escape(formula(definition.replace('weighted_iso', 'weighed')))}",
            "as the run recorded it",
        )
        for definition in said
        if definition
    ]


def noise_not_covered(noise: Mapping[str, Any]) -> list[str]:
    """Return what the results of a noise run do not cover."""
    if mapping(noise.get("dark_current")):
        return ["Other temperatures: a camera that is warm from use, or from the weather, has more dark current."]
    found = ["Noise at long exposures and in the heat: dark current is not in these numbers (protocol dark-current)."]
    if mapping(noise.get("developed")):
        return [*found, "What the sensor does: the camera's processing stands between it and these pictures."]
    found.append("What noise reduction in a raw developer does afterwards; that may allow more than the limit says.")
    if noise.get("linearity") and not _any(records(noise.get("linearity")), "error_max"):
        found.append("Linearity: that needs flats at three exposure times or more at one ISO.")
    if records(noise.get("lights")):
        found.append("Light of other colours than those named: the scarcer blue or red is, the lower the limit.")
    else:
        found.append("Colours of the light: under tungsten lamps blue is starved and its noise higher than here.")
    return found


def _any(points: tuple[Mapping[str, Any], ...], key: str) -> bool:
    return any(math.isfinite(number(point.get(key))) for point in points)
