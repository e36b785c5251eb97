"""The whole MTF curve at three apertures: the widest, the sharpest and the smallest, under what physics allows."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from kitgauge.exposure import exact_f_number
from kitgauge.measure.edges.diffraction import GREEN_WAVELENGTH_UM, diffraction_px, system_mtf
from kitgauge.report import wording
from kitgauge.report.data import number, text
from kitgauge.report.regions import Rows
from kitgauge.report.style import GREY, LOOKS, Picture, picture

_NYQUIST = 0.5
_LOOKS = (LOOKS[1], LOOKS[0], LOOKS[2])  # of three f-numbers, from wide to small


def mtf_pictures(curves: Rows, pitch_um: float, wavelength_um: float = GREEN_WAVELENGTH_UM) -> list[Picture]:
    """Return a figure of MTF against spatial frequency for each region of `sharpness.mtf_curves`.

    The ceiling of each f-number is drawn where the pixel pitch [um] is known.
    """
    by_region: dict[str, list[Mapping[str, Any]]] = {}
    for curve in curves:
        if _columns(curve) is not None and number(curve.get("f_number")) > 0:
            by_region.setdefault(text(curve.get("region")), []).append(curve)
    pictures: list[Picture] = []
    for region, own in by_region.items():
        own.sort(key=lambda curve: number(curve.get("f_number")))
        pictures.append(_picture(region, own[: len(_LOOKS)], pitch_um, wavelength_um, first=not pictures))
    return pictures


def _columns(curve: Mapping[str, Any]) -> tuple[list[float], list[float], list[float]] | None:
    """Return (frequency, MTF, standard error) of a curve, None where it holds no finite pair."""
    given = [curve.get(key) for key in ("frequency_cy_per_px", "mtf", "mtf_stderr")]
    columns = [[number(v) for v in column] if isinstance(column, list) else [] for column in given]
    if len(columns[0]) != len(columns[1]) or len(columns[0]) < 2:
        return None
    if len(columns[2]) != len(columns[0]):
        columns[2] = [math.nan] * len(columns[0])
    kept = [row for row in zip(*columns, strict=True) if math.isfinite(row[0]) and math.isfinite(row[1])]
    if len(kept) < 2:
        return None
    frequency, mtf, error = (list(column) for column in zip(*kept, strict=True))
    return frequency, mtf, error


def _picture(
    region: str, curves: Sequence[Mapping[str, Any]], pitch_um: float, wavelength_um: float, *, first: bool
) -> Picture:
    looks = _LOOKS if len(curves) == len(_LOOKS) else _LOOKS[-len(curves) :]

    def draw(axes: Axes) -> None:
        for look, curve in zip(looks, curves, strict=True):
            columns = _columns(curve)
            assert columns is not None  # those without are left out above
            frequency, mtf, error = columns
            f_number = number(curve.get("f_number"))
            if all(math.isfinite(e) for e in error):
                low, high = ([v + sign * 2 * e for v, e in zip(mtf, error, strict=True)] for sign in (-1.0, 1.0))
                axes.fill_between(frequency, low, high, color=look.colour, alpha=0.16, linewidth=0, zorder=1)
            axes.plot(
                frequency, mtf, color=look.colour, linestyle=look.line, marker=look.marker, markevery=10,
                markersize=5, label=wording.f_number(f_number), zorder=3,
            )  # fmt: skip
        for look, curve in zip(looks, curves, strict=True) if pitch_um > 0 else ():
            grid = np.linspace(0.0, _NYQUIST, 51)
            f_number = number(curve.get("f_number"))
            cutoff = diffraction_px(exact_f_number(f_number), pitch_um, wavelength_um)
            axes.plot(
                grid, system_mtf(grid, cutoff, 0.0), color=GREY, linewidth=0.9, linestyle=look.line,
                marker=look.marker, markevery=(5, 10), markersize=3, zorder=2,
                label=f"most possible at {wording.f_number(f_number)}",
            )  # fmt: skip
        axes.axhline(0.5, color=GREY, linewidth=0.8, linestyle=(0, (1, 2)), zorder=0.6)
        axes.text(0.497, 0.51, "MTF50", ha="right", va="bottom", fontsize=8.5, color=GREY)
        axes.axvline(_NYQUIST / 2, color=GREY, linewidth=0.8, linestyle=(0, (1, 2)), zorder=0.6)
        axes.text(_NYQUIST / 2 + 0.004, 1.02, "Nyquist/2", ha="left", va="top", fontsize=8.5, color=GREY)
        axes.set_xlim(0, _NYQUIST)
        highest = max(max(c[1]) for curve in curves if (c := _columns(curve)) is not None)
        axes.set_ylim(0, max(1.03, 1.03 * highest))
        axes.set_xlabel("spatial frequency (cycles per pixel), up to Nyquist")
        axes.set_ylabel("MTF (contrast that is left)")

    where = region if region == "centre" else f"{region} corner"
    settings = wording.joined([wording.f_number(number(curve.get("f_number"))) for curve in curves])
    caption = f"The same for the {where}."
    if first:
        caption = (
            "How much contrast is left of detail of each size, from large shapes on the left to the finest that the "
            f"pixels can hold on the right (two pixels per line pair). {where.capitalize()}, both edge directions "
            "averaged, at the widest, the sharpest and the smallest f-number measured; bands are two standard errors."
        )
        if pitch_um > 0:
            caption += (
                " The thin grey lines are what diffraction and the pixel allow at each: no lens is above its own."
            )
    alt = f"Chart: MTF against spatial frequency in the {where} at {settings}."
    name = f"sharpness-mtf-{''.join(c for c in region if c.isalpha() or c == '-') or 'region'}"
    return picture(name, f"MTF at {wording.count(len(curves), 'aperture')}, {where}", caption, alt, draw)
