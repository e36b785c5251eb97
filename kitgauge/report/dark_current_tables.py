"""Tables of a dark-current series: rates by both routes, the frames by exposure time, the hottest pixels."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from kitgauge.report import wording
from kitgauge.report.data import mapping, number, records, text, texts
from kitgauge.report.evidence import Table, flag_note, flags_cell, pair, shared_flags, sort_last

_ROUTES = {"level": "from the level", "variance": "from the noise"}


def dark_current_tables(noise: Mapping[str, Any]) -> list[Table]:
    """Return the tables of the dark-current series of a run, none without one."""
    dark = mapping(noise.get("dark_current"))
    found = (rates_table(dark), exposures_table(dark), hottest_table(dark))
    return [table for table in found if table is not None]


def rates_table(dark: Mapping[str, Any]) -> Table | None:
    """Return the dark current by both routes, and of each colour where they differ; None without a rate."""
    rows = [
        *_rates(dark, "all"),
        *(row for colour in records(dark.get("colours")) for row in _rates(colour, text(colour.get("channel")))),
    ]
    if not rows:
        return None
    note = (
        "Per pixel. From the level: how fast black rises. From the noise: by the scatter that the electrons bring, "
        "which remains where the camera takes the level away. ± is one standard error, that of the gain included."
    )
    if chosen := _ROUTES.get(text(dark.get("route"))):
        note += f" To be believed here: the one {chosen}."
    return Table("Dark current", ("colour", "route", "electrons per second"), tuple(rows), frozenset({0, 1}), note)


def _rates(row: Mapping[str, Any], name: str) -> list[tuple[str, str, str]]:
    values = (
        (_ROUTES["level"], number(row.get("rate_e_per_s")), number(row.get("rate_stderr"))),
        (
            _ROUTES["variance"],
            number(row.get("rate_from_variance_e_per_s")),
            number(row.get("rate_from_variance_stderr")),
        ),
    )
    return [(name, route, wording.with_error(v, e)) for route, v, e in values if math.isfinite(v)]


def exposures_table(dark: Mapping[str, Any]) -> Table | None:
    """Return level, variance, fixed pattern and hot pixels per exposure time, None without any."""
    points = records(dark.get("points"))
    if not points:
        return None
    shared = shared_flags(points)
    rows = tuple(
        (
            wording.shutter(number(p.get("exposure_s"))), pair(p, "level_dn", "level_stderr_dn"),
            pair(p, "variance_dn2", "variance_stderr_dn2"), wording.plain(number(p.get("dsnu_dn")), 3),
            wording.plain(number(p.get("hot_pixels")), 6), wording.plain(number(p.get("hot_pixels_per_mp")), 3),
            flags_cell(p, shared),
        )
        for p in sorted(points, key=lambda p: sort_last(number(p.get("exposure_s"))))
    )  # fmt: skip
    columns = (
        "time", "level, DN", "variance, DN²", "fixed pattern, DN", "hot pixels", "per megapixel", "flags",
    )  # fmt: skip
    definition = text(dark.get("hot_pixel_definition"))
    note = "Variance: of one frame, rounding included. ± is one standard error."
    if definition:
        note += f" {definition[:1].upper()}{definition[1:].rstrip('.')}."
    return Table("Dark frames by exposure time", columns, rows, frozenset({6}), note + flag_note(shared))


def hottest_table(dark: Mapping[str, Any]) -> Table | None:
    """Return the hottest pixels with place and rate, folded away; None without any."""
    rows = tuple(
        (
            f"{wording.plain(number(p.get('x')), 6)}, {wording.plain(number(p.get('y')), 6)}",
            wording.plain(number(p.get("rate_e_per_s")), 3), wording.plain(number(p.get("excess_e")), 4),
            wording.shutter(number(p.get("exposure_s"))),
        )
        for p in records(dark.get("hot_pixels"))
    )  # fmt: skip
    if not rows:
        return None
    columns = ("place (x, y)", "electrons per second", "above its neighbours, electrons", "at")
    note = "Place: in pixels from the left and the top of the raw frame. For masking them in a raw developer."
    return Table("The hottest pixels", columns, rows, frozenset({0}), note, folded=True)


def dark_sentences(noise: Mapping[str, Any]) -> tuple[str, ...]:
    """Return what the letter says of the dark-current series, nothing without one."""
    return texts(mapping(noise.get("dark_current")).get("text"))
