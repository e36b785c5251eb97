"""The tables of a sharpness run: points in all units, the sharpest f-numbers, findings, refused edges, halos."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from kitgauge.report import wording
from kitgauge.report.data import flag_of, mapping, number, records, text, texts
from kitgauge.report.evidence import Table, decimals_cell, flag_note, flags_cell, pair, shared_flags, sort_last

_CHANNELS = {"G": "green", "R": "red", "B": "blue"}

_DECIMALS_OF_UNITS = {"lp_per_mm": 1, "line_widths_per_picture_height": 0}


def sharpness_table(sharpness: Mapping[str, Any]) -> Table | None:
    """Return the sharpness points, None without any. Units that no point is known in have no column."""
    points = records(sharpness.get("points"))
    if not points:
        return None
    shared = shared_flags(points)
    units = [
        (key, heading)
        for key, heading in (
            ("mtf_half_nyquist", "MTF at Nyquist/2"),
            ("lp_per_mm", "lp/mm"),
            ("line_widths_per_picture_height", "LW/PH"),
        )
        if any(math.isfinite(number(p.get(key))) for p in points)
    ]
    channels = {text(p.get("channel")) for p in points}
    rows = tuple(
        (
            wording.f_number(number(p.get("f_number"))), text(p.get("region")), text(p.get("orientation")),
            *([] if len(channels) == 1 else [text(p.get("channel"))]),
            pair(p, "mtf50_cy_per_px"), *(_in_unit(p, key) for key, _ in units),
            wording.plain(number(p.get("frames")), 3),
            f"{decimals_cell(p, 'x_norm', 2)}, {decimals_cell(p, 'y_norm', 2)}", flags_cell(p, shared),
        )
        for p in sorted(points, key=lambda p: (text(p.get("region")) != "centre", text(p.get("region")),
                                               text(p.get("orientation")), sort_last(number(p.get("f_number")))))
    )  # fmt: skip
    columns = (
        "f-number", "region", "edges", *([] if len(channels) == 1 else ["colour"]), "MTF50",
        *(heading for _, heading in units), "frames", "place (x, y)", "flags",
    )  # fmt: skip
    note = "MTF50: cycles per pixel. Edges: the direction in which they run. Place: from the left and the top of the "
    note += "frame, 0 to 1. ± is one standard error."
    if len(channels) == 1 and (only := _CHANNELS.get(next(iter(channels)))):
        note = f"Measured in {only}. {note}"
    if any(key in _DECIMALS_OF_UNITS for key, _ in units):
        note += " In other units MTF50 has an error of the same share."
    if "lp_per_mm" in dict(units):
        note += " lp/mm: MTF50 in line pairs per millimetre of the sensor."
    if "line_widths_per_picture_height" in dict(units):
        note += " LW/PH: MTF50 in line widths per picture height (ISO 12233): twice the line pairs; the shorter side."
    left = frozenset({0, 1, 2, len(columns) - 1} | ({3} if len(channels) > 1 else set()))
    return Table("Sharpness per f-number and region", columns, rows, left, note + flag_note(shared))


def _in_unit(point: Mapping[str, Any], key: str) -> str:
    """Return a cell with its error, without it where MTF50 is only told in another unit."""
    decimals = _DECIMALS_OF_UNITS.get(key)
    return pair(point, key) if decimals is None else decimals_cell(point, key, decimals)


def apertures_table(sharpness: Mapping[str, Any], *, narrow: bool = False) -> Table | None:
    """Return the sharpest f-number and the sharp range of each region, None without a fit; `narrow` for a terminal."""
    fit = mapping(sharpness.get("fit"))
    rows = tuple(
        (
            region, _f_number(found.get("sharpest_f_number")), _f_range(found.get("sharpest_f_number_ci")),
            *([] if narrow else [pair(found, "peak_mtf50_cy_per_px")]), _f_range(found.get("sharp_range")),
            *([] if narrow else [_ends(found)]),
        )
        for region, found in fit.items()
        if isinstance(found, Mapping) and "sharpest_f_number" in found
    )  # fmt: skip
    if not rows:
        return None
    columns: tuple[str, ...] = ("region", "sharpest f-number", "95 % interval", "sharp range")
    note = ""
    if not narrow:
        columns = (*columns[:3], "MTF50 there, cycles per pixel", "sharp range", "95 % intervals of its ends")
        shares = {number(mapping(found).get("mtf50_fraction")) for found in fit.values()}
        if len(shares) == 1 and math.isfinite(share := shares.pop()):
            note = f"Sharp range: where MTF50 is at least {wording.share(share)} of the region's own highest."
    return Table("Sharpest f-number of each region", columns, rows, frozenset({0}), note)


def _f_number(value: object) -> str:
    given = number(value)
    return f"f/{wording.plain(given, 3)}" if given > 0 else wording.NOT_ESTIMATED


def _f_range(value: object) -> str:
    ends = list(value) if isinstance(value, Sequence) and not isinstance(value, str) else []
    return f"{_f_number(ends[0])} to {_f_number(ends[1])}" if len(ends) == 2 else wording.NOT_ESTIMATED


def _ends(found: Mapping[str, Any]) -> str:
    """Return the intervals of both ends of a sharp range; 'open' where the range goes on beyond what was measured."""
    parts = []
    for end in ("low", "high"):
        is_open = end in texts(found.get("range_open"))
        parts.append("open" if is_open else _f_range(found.get(f"sharp_range_{end}_ci")))
    return "; ".join(parts)


def findings_table(sharpness: Mapping[str, Any]) -> Table | None:
    """Return sizes and significance of what was found about the lens, None without any finding."""
    rows = tuple(
        (
            text(f.get("kind")).replace("-", " ") or text(f.get("text")), text(f.get("region")) or "–",
            wording.f_number(number(f.get("f_number"))) if number(f.get("f_number")) > 0 else "all",
            _size(f), wording.plain(number(f.get("z")), 3), _chance(f.get("probability")),
        )
        for f in records(sharpness.get("findings"))
    )  # fmt: skip
    if not rows:
        return None
    note = (
        "Size: ± is one standard error. z: size in standard errors. Chance: how likely noise alone makes any such "
        "finding in a whole sweep."
    )
    columns = ("finding", "region", "f-number", "size", "z", "chance")
    return Table("Found about the lens, in numbers", columns, rows, frozenset({0, 1}), note)


def _size(finding: Mapping[str, Any]) -> str:
    size, error = number(finding.get("size")), number(finding.get("size_stderr"))
    unit = text(finding.get("unit"))
    if math.isfinite(size) and error > 0:
        return wording.with_error(size, error, unit)
    return f"{wording.plain(size, 3)} {unit}".strip()


def _chance(probability: object) -> str:
    """Return a probability in words; one too small for a quantity of this program is still small, not unknown."""
    if isinstance(probability, float) and 0 <= probability < 1e-4:
        return "under 0.0001"
    return wording.plain(number(probability), 2)


def halo_table(sharpness: Mapping[str, Any]) -> Table | None:
    """Return the lines along the edges per f-number, None where none is plain at any f-number."""
    halos = records(sharpness.get("halo"))
    if not any(halo.get("plain") is True for halo in halos):
        return None
    rows = tuple(
        (wording.f_number(number(h.get("f_number"))), _percent(h, "overshoot"), _percent(h, "undershoot"),
         wording.plain(number(h.get("edges")), 4))
        for h in sorted(halos, key=lambda h: sort_last(number(h.get("f_number"))))
    )  # fmt: skip
    columns = ("f-number", "bright line, % of contrast", "dark line, % of contrast", "edges")
    note = "Lines that sharpening leaves along edges: the mean over all of them. ± is one standard error."
    return Table("Halo per f-number", columns, rows, frozenset({0}), note)


def _percent(row: Mapping[str, Any], key: str) -> str:
    return wording.with_error(100 * number(row.get(key)), 100 * number(row.get(f"{key}_stderr")))


def refused_edges_table(sharpness: Mapping[str, Any]) -> Table | None:
    """Return why edges that were seen were not measured, with how many, where, and what to do; None without any."""
    groups: dict[str, list[str]] = {}
    advice: dict[str, str] = {}
    for edge in records(sharpness.get("edges_refused")):
        for name in texts(edge.get("flags")) or ("",):
            flag = flag_of(name)
            why = flag.text if flag is not None else text(edge.get("text")) or name or wording.UNKNOWN
            groups.setdefault(why, []).append(text(edge.get("file")))
            advice[why] = flag.advice if flag is not None else ""
    rows = tuple(
        (why, str(len(files)), wording.listing(list(dict.fromkeys(files)), 3), advice[why] or "–")
        for why, files in sorted(groups.items(), key=lambda item: -len(item[1]))
    )
    if not rows:
        return None
    columns = ("reason", "edges", "frames", "what helps")
    note = "Where they lie is on the map of refused edges."
    return Table("Edges seen and not measured", columns, rows, frozenset({0, 2, 3}), note)
