"""Tables of a noise run on developed pictures: what they show per ISO, and the detail that is left in a scene."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from kitgauge.report import wording
from kitgauge.report.data import mapping, number, records, texts
from kitgauge.report.evidence import Table, flag_note, flags_cell, pair, shared_flags, sort_last


def developed_tables(noise: Mapping[str, Any]) -> list[Table]:
    """Return the tables of developed pictures, none for a run on raw frames."""
    developed = mapping(noise.get("developed"))
    found = (developed_table(developed), detail_table(developed))
    return [table for table in found if table is not None]


def developed_sentences(noise: Mapping[str, Any]) -> tuple[str, ...]:
    """Return what the letter says of developed pictures, nothing for a run on raw frames."""
    return texts(mapping(noise.get("developed")).get("text"))


def developed_table(developed: Mapping[str, Any]) -> Table | None:
    """Return the noise that developed pictures show per ISO, None without any."""
    points = records(developed.get("points"))
    if not points:
        return None
    shared = shared_flags(points)
    rows = tuple(
        (
            wording.plain(number(p.get("iso")), 6), _snr(p), _percent(p, "luminance_noise", "luminance_bound"),
            _percent(p, "red_noise", "red_bound"), _percent(p, "blue_noise", "blue_bound"),
            wording.share(number(p.get("noise_power_low"))), flags_cell(p, shared),
        )
        for p in sorted(points, key=lambda p: sort_last(number(p.get("iso"))))
    )  # fmt: skip
    columns = (
        "ISO", "SNR per pixel", "brightness, %", "red against it, %", "blue against it, %", "coarse", "flags",
    )  # fmt: skip
    note = (
        "What the pictures show, in linear light, for this picture style only. SNR: of one pixel's brightness at "
        "mid-grey. Brightness: its noise as a share of the level; red and blue against it: noise of colour. Coarse: "
        "the share of brightness noise in blotches of eight pixels and more (6 % where noise is white), which stays "
        "when the picture is made smaller. ± is one standard error."
    )
    return Table("Noise in the developed pictures", columns, rows, frozenset({6}), note + flag_note(shared))


def detail_table(developed: Mapping[str, Any]) -> Table | None:
    """Return the share of contrast kept, a row per ISO and a column per octave of frequency; None without any."""
    bands = [b for b in records(developed.get("detail")) if number(b.get("iso")) > 0]
    octaves = sorted({octave for octave in map(_octave, bands) if all(map(math.isfinite, octave))})
    if not octaves:
        return None
    cells: dict[float, dict[tuple[float, float], str]] = {}
    for band in bands:
        cells.setdefault(number(band["iso"]), {})[_octave(band)] = _kept(band)
    rows = tuple(
        (wording.plain(iso, 6), *(cells[iso].get(octave, wording.UNKNOWN) for octave in octaves))
        for iso in sorted(cells)
    )
    columns = ("ISO", *(f"{wording.plain(low, 2)} to {wording.plain(high, 2)}" for low, high in octaves))
    reference = next((v for b in bands if (v := number(b.get("reference_iso"))) > 0), math.nan)
    note = (
        f"Contrast of the scene's detail against that at ISO {wording.plain(reference, 6)}, in %, from coarse to fine "
        "(cycles per pixel; 0.5 is the finest a picture can hold). Noise reduction takes fine detail first. ± is one "
        "standard error."
    )
    return Table("Detail kept", columns, rows, frozenset(), note)


def _octave(band: Mapping[str, Any]) -> tuple[float, float]:
    return number(band.get("low_cy_per_px")), number(band.get("high_cy_per_px"))


def _kept(band: Mapping[str, Any]) -> str:
    kept, most = number(band.get("kept")), number(band.get("kept_at_most"))
    if math.isfinite(kept):
        return wording.with_error(100 * kept, 100 * number(band.get("kept_stderr")))
    return f"at most {wording.plain(100 * most, 2)}" if math.isfinite(most) else wording.UNKNOWN


def _snr(point: Mapping[str, Any]) -> str:
    least = number(point.get("snr_at_least"))
    if not math.isfinite(number(point.get("snr_midgrey"))) and math.isfinite(least):
        return f"at least {wording.plain(least, 3)}"
    return pair(point, "snr_midgrey")


def _percent(point: Mapping[str, Any], key: str, bound_key: str) -> str:
    value, bound = number(point.get(key)), number(point.get(bound_key))
    if not math.isfinite(value) and math.isfinite(bound):
        return f"under {wording.plain(100 * bound, 2)}"
    return wording.with_error(100 * value, 100 * number(point.get(f"{key}_stderr")))
