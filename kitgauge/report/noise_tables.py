"""Tables of a noise run: the numbers of green per ISO, all colours, dynamic range by both definitions, what is the
same in every frame, what the ISO values mean, how true shutter and aperture are.

What a run does not hold (runs of older versions lack much of it) has no column and no table here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from kitgauge.report import wording
from kitgauge.report.dark_current_tables import dark_current_tables
from kitgauge.report.data import mapping, number, numbers, records, text
from kitgauge.report.developed_tables import developed_tables
from kitgauge.report.evidence import Table, decimals_cell, flag_note, flags_cell, pair, shared_flags, sort_last

_COLOURS = ("R", "G1", "G2", "B", "G")
_SATURATION_SEEN = {
    "flats": "in clipped flats",
    "file": "in the file's white level",
    "scale": "last code times the scaling",
}
_MOST_OPEN = 24  # rows; a longer table of all colours stands folded below that of green

Rows = Sequence[Mapping[str, Any]]


def noise_tables(noise: Mapping[str, Any]) -> list[Table]:
    """Return every table of a noise run that holds anything, in the order of the page."""
    if developed := developed_tables(noise):  # of the rest only raw frames could tell
        return developed
    found = (
        green_table(noise),
        range_table(noise),
        fixed_table(noise),
        shadow_table(noise),
        meaning_table(noise),
        accuracy_table(noise),
        linearity_table(noise),
        noise_table(noise),
    )
    return [*dark_current_tables(noise), *(table for table in found if table is not None)]


def main_points(noise: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Return the points of pooled green in order of ISO; of the only colour there is where there is no green."""
    points = [p for p in records(noise.get("points")) if number(p.get("iso")) > 0]
    colours = {text(p.get("channel")) for p in points}
    main = "G" if "G" in colours else next(iter(sorted(colours)), "")
    return _by([p for p in points if text(p.get("channel")) == main], "iso")


def in_colour(noise: Mapping[str, Any]) -> bool:
    """Tell whether there is more than one colour: a monochrome sensor has one, which files call G."""
    return len({text(p.get("channel")) for p in records(noise.get("points"))}) > 1


def _by(rows: Rows, key: str) -> list[Mapping[str, Any]]:
    """Return the rows with a positive number under `key`, in its order."""
    return sorted((row for row in rows if number(row.get(key)) > 0), key=lambda row: number(row.get(key)))


def noise_table(noise: Mapping[str, Any]) -> Table | None:
    """Return the noise points of all colours, None without any."""
    points = records(noise.get("points"))
    if not points:
        return None
    shared = shared_flags(points)
    rows = tuple(
        (
            _iso(p), text(p.get("channel")), pair(p, "gain_e_per_dn"), pair(p, "read_noise_e"),
            wording.digits(number(p.get("saturation_e")), 4), decimals_cell(p, "dynamic_range_stops", 2),
            wording.digits(number(p.get("snr_midgrey")), 3), flags_cell(p, shared),
        )
        for p in sorted(points, key=lambda p: (sort_last(number(p.get("iso"))), _colour_order(p)))
    )  # fmt: skip
    columns = (
        "ISO", "colour", "gain, electrons per DN", "read noise, electrons", "saturation, electrons",
        "range, stops", "SNR per pixel", "flags",
    )  # fmt: skip
    note = (
        "DN: digital number, the unit of the raw file. Range: dynamic range. SNR: at mid-grey. G pools the two greens. "
        "± is one standard error."
    )
    folded = len(rows) > _MOST_OPEN  # the table of green is shown then
    return Table("Noise per ISO and colour", columns, rows, frozenset({1, 7}), note + flag_note(shared), folded=folded)


def green_table(noise: Mapping[str, Any]) -> Table | None:
    """Return the noise of green per ISO, shown where the table of all colours is too long to stand open."""
    points = main_points(noise)
    if not points or len(records(noise.get("points"))) <= _MOST_OPEN:
        return None
    shared = shared_flags(points)
    rows = tuple(
        (
            _iso(p), pair(p, "gain_e_per_dn"), pair(p, "read_noise_e"), _error_if_given(p, "saturation_e", 4),
            _error_if_given(p, "snr_midgrey", 3), flags_cell(p, shared),
        )
        for p in points
    )  # fmt: skip
    columns = (
        "ISO", "gain, electrons per DN", "read noise, electrons", "saturation, electrons", "SNR per pixel", "flags",
    )  # fmt: skip
    note = (
        f"{'Green, the colour that the eye sees most of. ' if in_colour(noise) else ''}DN: digital number, the unit "
        "of the raw file. SNR: signal-to-noise ratio at mid-grey. ± is one standard error."
    )
    return Table("Noise per ISO", columns, rows, frozenset({5}), note + flag_note(shared))


def range_table(noise: Mapping[str, Any]) -> Table | None:
    """Return the dynamic range by both definitions, None where the run holds the engineering one only."""
    points = main_points(noise)
    if not _known(points, "dynamic_range_iso15739_stops"):
        return None
    rows = tuple(
        (
            _iso(p), _error_if_given(p, "dynamic_range_stops", 4),
            _error_if_given(p, "dynamic_range_iso15739_stops", 4), _error_if_given(p, "saturation_e", 4),
            _SATURATION_SEEN.get(text(p.get("saturation_source")), "–"),
        )
        for p in points
    )  # fmt: skip
    columns = ("ISO", "range, stops", "range by ISO 15739, stops", "saturation, electrons", "saturation seen")
    note = (
        f"{'Green, one' if in_colour(noise) else 'One'} pixel. Range: from saturation down to the level of the read "
        "noise (the engineering definition). By ISO 15739: down to the level at which signal and noise are equal, "
        "with the noise of the light and the rounding in it, so it is smaller. Both count what the sensor can tell "
        "apart, not what looks good: shadows that please need a ratio of several, and lie some stops higher."
    )
    return Table("Dynamic range by two definitions", columns, rows, frozenset({4}), note)


def fixed_table(noise: Mapping[str, Any]) -> Table | None:
    """Return what is not random from pixel to pixel: non-uniformity, row and column noise; None without any."""
    points = main_points(noise)
    columns = [
        (heading, key, factor)
        for heading, key, factor in (
            ("response differs, % (PRNU)", "prnu", 100.0), ("dark level differs, electrons (DSNU)", "dsnu_e", 1.0),
            ("row noise, electrons", "row_noise_e", 1.0), ("column noise, electrons", "column_noise_e", 1.0),
        )
        if _known(points, key)
    ]  # fmt: skip
    if not columns:
        return None
    rows = tuple((_iso(p), *(_scaled(p, key, factor) for _, key, factor in columns)) for p in points)
    note = (
        f"{'Green. ' if in_colour(noise) else ''}PRNU: how much the pixels differ in their response to light, DSNU: "
        "in their level in the dark; both are the same in every frame and are not in the noise above. Row and column "
        "noise: whole lines move together from frame to frame; seen as stripes long before noise of the same size "
        "is. ± is one standard error."
    )
    return Table(
        "Fixed patterns and stripes", ("ISO", *(heading for heading, _, _ in columns)), rows, frozenset(), note
    )


def shadow_table(noise: Mapping[str, Any]) -> Table | None:
    """Return what each step of ISO gains in the shadows and costs in highlights, None where the run does not say."""
    shadow = mapping(mapping(noise.get("fit")).get("shadow"))
    given = _by(records(shadow.get("table")), "iso")
    if not given:
        return None
    rows = tuple(
        (
            _step(row), _signed(row, "shadow_gain_stops"), _error_if_given(row, "highlight_price_stops", 2, places=2),
            "by computing" if row.get("digital") is True else "amplified",
        )
        for row in given
    )  # fmt: skip
    columns = ("ISO", "shadows cleaner by, stops", "highlights lost, stops", "how")
    note = (
        "What each step of ISO brings for the same light on the sensor, against brightening the picture later. Shadows "
        "cleaner: by how much the noise of the deepest ones falls, rounding included. Highlights lost: how much "
        "earlier they clip. Where the shadows gain next to nothing, stay at the lower ISO and brighten later. ± is "
        "one standard error."
    )
    return Table("What raising ISO gains and costs", columns, rows, frozenset({0, 3}), note)


def meaning_table(noise: Mapping[str, Any]) -> Table | None:
    """Return what the labelled ISO values are on this body, None where the run does not say."""
    meaning = mapping(noise.get("iso_meaning"))
    avoid = {number(row.get("iso")): row for row in records(mapping(noise.get("fit")).get("avoid"))}
    given = _by(records(meaning.get("values")), "iso")
    if not given:
        return None
    base = number(meaning.get("base_iso"))
    rows = tuple(
        (
            _iso(row), *(
                ("0", "0", "compared with this")
                if number(row.get("iso")) == base
                else (
                    _signed(row, "relative_stops"), decimals_cell(row, "labelled_stops", 2),
                    _signed(row, "departure_stops", ("departure_stderr", "departure_stops_stderr")),
                )
            ),
            _how_made(row), _instead(row, avoid.get(number(row.get("iso")))),
        )
        for row in given
    )  # fmt: skip
    against = f"ISO {wording.plain(base, 6)}" if math.isfinite(base) else "the lowest ISO"
    columns = ("ISO", "measured, stops", "label, stops", "departure, stops", "made how", "use instead")
    note = (
        f"Measured: how much brighter the file becomes for the same light than at {against}; label: how much brighter "
        "the label promises. Amplified: before the numbers are made. Pushed and pulled: multiplied or divided "
        "afterwards, which gains nothing that brightening or darkening later would not. ± is one standard error."
    )
    return Table("What the ISO values mean on this body", columns, rows, frozenset({4, 5}), note)


def accuracy_table(noise: Mapping[str, Any]) -> Table | None:
    """Return how true shutter times and f-numbers are, None where the flats do not tell."""
    meaning = mapping(noise.get("iso_meaning"))
    rows = tuple(
        (show(number(row.get(key))), _signed(row, "departure_stops", ("stderr_stops",)))
        for part, key, show in (
            ("shutter", "shutter_s", wording.shutter),
            ("aperture", "f_number", wording.f_number),
        )
        for row in _by(records(meaning.get(part)), key)
    )
    if not rows:
        return None
    note = (
        "How much brighter (+) or darker (−) the flats are than the marked setting promises, in stops, against the "
        "mean of the settings used. ± is one standard error."
    )
    drift = number(meaning.get("light_drift_stops"))
    if math.isfinite(drift):
        note += f" The light itself scattered by {wording.plain(drift, 2)} stops between frames of one setting."
    return Table("Are shutter times and f-numbers true?", ("setting", "departure, stops"), rows, frozenset({0}), note)


def linearity_table(noise: Mapping[str, Any]) -> Table | None:
    """Return the linearity error of each ISO and colour, None where there are no levels to tell it from."""
    given = [row for row in records(noise.get("linearity")) if math.isfinite(number(row.get("error_max")))]
    if not given:
        return None
    rows = tuple(
        (
            _iso(row), text(row.get("channel")), _scaled(row, "error_max", 100.0), _scaled(row, "error_mean", 100.0),
            text(row.get("text")) or "–",
        )
        for row in sorted(given, key=lambda row: (sort_last(number(row.get("iso"))), _colour_order(row)))
    )  # fmt: skip
    columns = ("ISO", "colour", "largest, % of full range", "mean, % of level", "in words")
    note = (
        "Departure from a straight line through the levels: the largest, and the mean of all relative to their own "
        "level (the linearity error of EMVA 1288). ± is one standard error."
    )
    return Table("Linearity", columns, rows, frozenset({1, 4}), note)


def _step(row: Mapping[str, Any]) -> str:
    start = number(row.get("from_iso"))
    return f"{wording.plain(start, 6)} to {_iso(row)}" if start > 0 else _iso(row)


def _how_made(row: Mapping[str, Any]) -> str:
    kind, source = text(row.get("kind")) or wording.UNKNOWN, number(row.get("made_from_iso"))
    if kind == "amplified" or not math.isfinite(source):
        return kind
    named = f"ISO {wording.plain(source, 6)}"
    return f"{kind} {named}" if kind == "same as" else f"{kind} from {named}"


def _instead(row: Mapping[str, Any], avoided: Mapping[str, Any] | None) -> str:
    value = number(mapping(avoided).get("instead_iso"))
    if not math.isfinite(value) and text(row.get("kind")) in ("pushed", "pulled", "same as"):
        value = number(row.get("made_from_iso"))
    return f"ISO {wording.plain(value, 6)}" if math.isfinite(value) else "–"


def _iso(row: Mapping[str, Any]) -> str:
    return wording.plain(number(row.get("iso")), 6)


def _colour_order(row: Mapping[str, Any]) -> int:
    colour = text(row.get("channel"))
    return _COLOURS.index(colour) if colour in _COLOURS else len(_COLOURS)


def _known(rows: Rows, key: str) -> bool:
    return any(math.isfinite(value) for value in numbers(rows, key))


def _error_if_given(row: Mapping[str, Any], key: str, significant: int, *, places: int | None = None) -> str:
    """Return a value with its standard error, or alone where the run holds no field for the error."""
    if f"{key}_stderr" in row:
        return pair(row, key)
    value = number(row.get(key))
    return wording.digits(value, significant) if places is None else wording.decimals(value, places)


def _scaled(row: Mapping[str, Any], key: str, factor: float) -> str:
    value, error = factor * number(row.get(key)), factor * number(row.get(f"{key}_stderr"))
    if f"{key}_stderr" not in row:
        return wording.plain(value, 3)
    return wording.with_error(value, error)


def _signed(row: Mapping[str, Any], key: str, error_keys: Sequence[str] = ()) -> str:
    """Return '+0.31 ± 0.02': a departure has its sign."""
    value = number(row.get(key))
    error = next((e for k in (*error_keys, f"{key}_stderr") if math.isfinite(e := number(row.get(k)))), math.nan)
    shown = wording.with_error(abs(value), error)
    if not math.isfinite(value):
        return shown
    return f"{'−' if value < 0 else '+'}{shown}"
