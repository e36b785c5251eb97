"""A fleet in words and rows, for the page and the terminal: who differs, limits per kit, numbers against siblings."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from kitgauge.report import wording
from kitgauge.report.data import mapping, number, records, text, texts
from kitgauge.report.evidence import Table

_NOT_ENOUGH = "fewer than four: too few siblings to tell who differs"


def summary_sentence(fleet: Mapping[str, Any]) -> str:
    """Return how many kits there are and what became of their runs."""
    kits = records(fleet.get("kits"))
    runs = [run for kit in kits for run in records(kit.get("runs"))]
    counts = {name: sum(run.get("status") == name for run in runs) for name in ("complete", "partial", "failed")}
    said = f"{wording.count(len(kits), 'kit')}, {wording.count(len(runs), 'run')}: {counts['complete']} complete"
    said += f", {counts['partial']} with something missing" if counts["partial"] else ""
    return f"{said}{', ' + str(counts['failed']) + ' without a result' if counts['failed'] else ''}."


def odd_sentences(fleet: Mapping[str, Any]) -> list[str]:
    """Return who differs from its siblings, and by how much; in words where nobody does or nobody can be judged."""
    found = [row for row in records(fleet.get("deviations")) if row.get("differs")]
    judged = int(number(fleet.get("comparisons"))) if number(fleet.get("comparisons")) > 0 else 0
    if not judged:
        return ["Nobody could be judged by siblings: that takes four kits or more of one body, or of one lens on it."]
    if not found:
        return [
            f"No kit differs from its siblings by more than chance, in {wording.count(judged, 'comparison')}. The last "
            "row of each table says which differences would have shown."
        ]
    return [_odd(row, judged) for row in sorted(found, key=lambda row: number(row.get("p_together")))]


def _odd(row: Mapping[str, Any], judged: int) -> str:
    spread = number(row.get("spread_log2"))
    siblings = wording.count(int(number(row.get("siblings"))), "sibling")
    return (
        f"{text(row.get('kit'))}: {text(row.get('number'))} is {difference_words(row)} its {siblings} "
        f"({_value(row, 'value')} against {_value(row, 'expected')}; from unit to unit they scatter by about "
        f"{_size(spread, bool(row.get('in_stops')))}). Among {wording.count(judged, 'comparison')}, chance alone would "
        f"show that {_p(number(row.get('p_together')))}."
    )


def difference_words(row: Mapping[str, Any]) -> str:
    """Return '12 % above' or '0.7 stops below'."""
    difference = number(row.get("difference_log2"))
    return (
        f"{_size(abs(difference), bool(row.get('in_stops')), difference < 0)} {'above' if difference > 0 else 'below'}"
    )


def _size(log2: float, in_stops: bool, below: bool = False) -> str:
    if not math.isfinite(log2):
        return wording.UNKNOWN
    if in_stops:
        return f"{wording.plain(log2, 2)} stops"
    return f"{wording.plain(100.0 * (1.0 - 2.0**-log2 if below else 2.0**log2 - 1.0), 2)} %"


def _value(row: Mapping[str, Any], key: str) -> str:
    value, unit = number(row.get(key)), text(row.get("unit"))
    if unit == "s":
        return wording.exact_shutter(value)
    return f"ISO {value:.0f}" if unit == "ISO" else f"{wording.plain(value, 4)} {unit}".strip()


def _p(p: float) -> str:
    return f"with p = {p:.1g}" if p >= 0.001 else "in less than one fleet of a thousand"


def limits_table(fleet: Mapping[str, Any]) -> Table:
    """Return a row for each run of each kit: what it is of, the limits, the state."""
    rows = []
    for kit in records(fleet.get("kits")):
        for run in records(kit.get("runs")):
            body, serial = text(run.get("body")), text(run.get("body_serial"))
            parts = (f"{body} #{serial}" if body and serial else body, text(run.get("lens")))
            what = ", ".join(part for part in parts if part) or wording.UNKNOWN
            states = {"complete": "complete", "partial": "something missing", "failed": "no result"}
            rows.append(
                (
                    text(kit.get("kit")), text(run.get("protocol")) or "–", what,
                    " ".join(texts(run.get("limits"))) or "none", states.get(text(run.get("status")), "unknown"),
                )
            )  # fmt: skip
    columns = ("kit", "protocol", "body and lens", "limits", "state")
    return Table("Limits, kit by kit", columns, tuple(rows), frozenset(range(5)))


def group_tables(fleet: Mapping[str, Any]) -> list[Table]:
    """Return a table for each group of siblings: a row for each kit, a column for each number; * marks who differs."""
    deviations = records(fleet.get("deviations"))
    tables = []
    for index, group in enumerate(records(fleet.get("groups"))):
        names = texts(group.get("numbers"))
        own = {(text(d.get("kit")), text(d.get("number"))): d for d in deviations if d.get("group") == index}
        units = {text(d.get("number")): text(d.get("unit")) for d in own.values()}
        rows = tuple((kit, *(_cell(own.get((kit, name))) for name in names)) for kit in texts(group.get("kits")))
        columns = (
            "kit",
            *(f"{name}, {units[name]}" if units.get(name) not in ("ISO", "s") else name for name in names),
        )
        enough = bool(group.get("enough"))
        note = "± is one standard error of the measurement. * differs from its siblings by more than chance."
        if enough:
            rows += (
                ("would show from", *(_shows_from(d for d in own.values() if d.get("number") == n) for n in names)),
            )
            note += " The last row: at such a difference from its siblings, if not before, a kit is marked."
        else:
            note = f"± is one standard error of the measurement. {_NOT_ENOUGH[0].upper()}{_NOT_ENOUGH[1:]}."
        tables.append(Table(f"{text(group.get('siblings'))}: {text(group.get('protocol'))}", columns, rows, note=note))
    return tables


def _shows_from(rows: Iterable[Mapping[str, Any]]) -> str:
    """Return the difference at which any unit of a column would have counted as odd."""
    found = [(number(row.get("seen_from_log2")), bool(row.get("in_stops"))) for row in rows]
    known = [item for item in found if math.isfinite(item[0])]
    if not known:
        return wording.UNKNOWN
    log2, in_stops = max(known)
    return f"times {wording.plain(2.0**log2, 2)}" if log2 > 1.0 and not in_stops else f"± {_size(log2, in_stops)}"


def _cell(row: Mapping[str, Any] | None) -> str:
    if row is None:
        return wording.UNKNOWN
    mark = " *" if row.get("differs") else ""
    value, stderr = number(row.get("value")), number(row.get("stderr_log2")) * math.log(2.0)
    if text(row.get("unit")) == "s":
        return f"{wording.exact_shutter(value)}{mark}"
    if text(row.get("unit")) == "ISO":
        return f"{wording.with_error(value, stderr * value)}{mark}"
    return f"{wording.with_error(value, stderr * value)}{mark}"


def missing_lines(fleet: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """Return (which runs, reason, fix) of what is not complete; runs of one reason together."""
    found: dict[tuple[str, str], list[str]] = {}
    for kit in records(fleet.get("kits")):
        for run in records(kit.get("runs")):
            if text(run.get("status")) != "complete":
                name = ", ".join(part for part in (text(kit.get("kit")), text(run.get("protocol"))) if part)
                found.setdefault((text(run.get("reason")), text(run.get("fix"))), []).append(name)
    return [("; ".join(names), reason, fix) for (reason, fix), names in found.items()]


def links(fleet: Mapping[str, Any]) -> list[tuple[str, list[tuple[str, str]]]]:
    """Return each kit with (protocol, page) of its runs."""
    return [
        (
            text(mapping(kit).get("kit")),
            [(text(run.get("protocol")), text(run.get("page"))) for run in records(kit.get("runs")) if run.get("page")],
        )
        for kit in records(fleet.get("kits"))
    ]
