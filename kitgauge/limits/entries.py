"""One accepted limit, as the limits file writes it, and the checks on what was written by hand.

Pure standard library.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any, cast

from kitgauge.errors import LimitsError
from kitgauge.exposure import (
    dial_f_number,
    format_exact_f_number,
)
from kitgauge.limits.criteria import EXPLANATIONS, RANGES
from kitgauge.limits.model import Limit, LimitKind
from kitgauge.limits.setting_words import iso_up_to as iso_up_to
from kitgauge.limits.setting_words import iso_words, range_words, shutter_words
from kitgauge.limits.setting_words import sharp_range as sharp_range

SCHEMA = 1
SETTINGS: dict[str, tuple[str, ...]] = {
    "iso": ("iso",),
    "f_number": ("f_number_low", "f_number_high"),
    "shutter": ("shutter_s",),
    "focus": ("f_number",),
}
_TEXTS = ("kind", "body", "lens", "technique", "region", "run", "text")
_NUMBERS = ("focal_mm", "ci_low", "ci_high", "stderr_stops")
_REQUIRED = ("kind", "body", "run", "accepted_at", "criterion")
# wider than any camera, lens or fit; a number outside of these was not measured. [low, high] both included
_SETTING_RANGES = {
    "iso": (0.1, 1e8),
    "f_number_low": (0.1, 1000.0),
    "f_number_high": (0.1, 1000.0),
    "shutter_s": (1e-7, 1e6),
    "f_number": (0.1, 1000.0),
}
_RANGES = {
    **_SETTING_RANGES,
    **{f"{name}_dial": range_ for name, range_ in _SETTING_RANGES.items()},
    "focal_mm": (0.5, 20_000.0),
    "ci_low": (1e-100, 1e100),
    "ci_high": (1e-100, 1e100),
    "stderr_stops": (1e-100, 100.0),
}
_ANY_POSITIVE = (1e-100, 1e100)
_YEARS = (1980, 2200)
_LONGEST_SHOWN = 80

Key = tuple[str, str, str | None, float | None, str | None, str | None, tuple[tuple[str, float], ...], bool, str]


@dataclass(frozen=True)
class AcceptedLimit:
    """A limit that its owner has accepted: of which `body`, from which `run` (its path below the kit's folder; older
    files may name another, which is not opened), and when."""

    limit: Limit
    body: str
    run: str
    accepted_at: datetime

    @property
    def key(self) -> Key:
        """What makes two limits the same one: kind, body, lens, focal length [mm], technique, region, criterion, the
        moving subject, and of f-numbers whether they are those of developed pictures, which say nothing of raw files.
        """
        limit = self.limit
        return (
            limit.kind,
            self.body,
            limit.lens,
            None if limit.focal_mm is None else round(limit.focal_mm, 1),
            limit.technique,
            limit.region,
            tuple(sorted((name, round(value, 6)) for name, value in limit.criterion.items())),
            limit.kind == "f_number" and "rendered" in limit.flags,
            str(limit.extra.get("subject") or limit.extra.get("role") or ""),
        )

    def describe(self) -> str:
        """Return the limit in a few words, exact and as set: 'slowest shutter 1/43 s (on the dial 1/50 s,
        standing)'.
        """
        limit = self.limit
        if limit.kind == "iso":
            exact, dial = iso_words(limit.value["iso"])
            head = f"highest {exact}" + (" at least" if limit.extra.get("at_least") else "")
        elif limit.kind == "shutter":
            exact, dial = shutter_words(limit.value["shutter_s"])
            head = f"slowest shutter {exact}"
        elif limit.kind == "focus":
            number = limit.value["f_number"]
            exact, dial = format_exact_f_number(number), format_exact_f_number(dial_f_number(number, up=True))
            head = f"focusing serves from {exact}"
        else:
            exact, dial = range_words(limit.value["f_number_low"], limit.value["f_number_high"])
            head = f"sharp from {exact}"
        circumstances = [f"on the dial {dial}"] if dial != exact else []
        subject = limit.extra.get("subject")
        circumstances += [f"subject {subject}"] if subject else []
        circumstances += [text for text in (limit.technique, limit.lens, limit.region) if text]
        if limit.focal_mm is not None:
            circumstances.append(f"{limit.focal_mm:g} mm")
        return f"{head} ({', '.join(circumstances)})" if circumstances else head


def entry_as_dict(accepted: AcceptedLimit) -> dict[str, Any]:
    """Return the entry as it stands in the file; what is not known is left out."""
    limit = accepted.limit
    entry: dict[str, Any] = {
        "kind": limit.kind,
        "body": accepted.body,
        "lens": limit.lens,
        "focal_mm": limit.focal_mm,
        "technique": limit.technique,
        "region": limit.region,
        **{name: float(value) for name, value in limit.value.items()},
        **{f"{name}_dial": float(value) for name, value in limit.dial.items()},
        "ci_low": float(limit.ci_low),
        "ci_high": float(limit.ci_high),
        "stderr_stops": float(limit.stderr_stops),
        "criterion": dict(limit.criterion),
        "text": limit.text,
        "flags": list(limit.flags),
        "extra": _known(limit.extra),
        "run": accepted.run,
        "accepted_at": accepted.accepted_at,
    }
    return {
        key: value
        for key, value in entry.items()
        if value is not None and value not in ([], {}) and not (isinstance(value, float) and math.isnan(value))
    }


def _known(value: Any) -> Any:
    """Return `value` without the None and NaN in it, which the file leaves out."""
    if isinstance(value, dict):
        kept = {key: _known(inner) for key, inner in value.items()}
        return {key: inner for key, inner in kept.items() if inner is not None}
    if isinstance(value, list | tuple):
        return [inner for item in value if (inner := _known(item)) is not None]
    return None if isinstance(value, float) and math.isnan(value) else value


def entry_from_dict(entry: dict[str, Any], where: str) -> AcceptedLimit:
    """Return the limit of one entry; LimitsError names `where` and the key that is missing, unknown or
    wrong.
    """
    for key in _REQUIRED:
        if key not in entry:
            raise _fault("a key is missing", where, key, "nothing", f"the key {key}", "add it")
    kind = entry["kind"]
    if not isinstance(kind, str) or kind not in SETTINGS:
        raise _fault(
            "unknown kind of limit", where, "kind", shown(kind), "iso, f_number, shutter or focus", "name one of them"
        )
    settings = SETTINGS[kind]
    dials = tuple(f"{name}_dial" for name in settings)
    allowed = {*_TEXTS, *_NUMBERS, *_REQUIRED, *settings, *dials, "flags", "extra"}
    for key in entry:
        if key not in allowed:
            raise _fault(
                "unknown key",
                where,
                key,
                key,
                ", ".join(sorted(allowed)),
                "correct its spelling or remove it",
            )
    for key in _TEXTS:
        if key in entry and not isinstance(entry[key], str):
            raise _fault("a text was needed", where, key, shown(entry[key]), f'{key} = "..."', "put it in quotes")
    value = {name: _positive(entry, name, where, required=True) for name in settings}
    dial = {name: _positive(entry, f"{name}_dial", where) for name in settings if f"{name}_dial" in entry}
    ci_low, ci_high = (_positive(entry, name, where) for name in ("ci_low", "ci_high"))
    _check_order(value, ci_low, ci_high, where)
    return AcceptedLimit(
        limit=Limit(
            kind=cast(LimitKind, kind),
            value=value,
            dial=dial,
            ci_low=ci_low,
            ci_high=ci_high,
            criterion=_criterion(entry["criterion"], where),
            text=entry.get("text", ""),
            stderr_stops=_positive(entry, "stderr_stops", where),
            lens=entry.get("lens"),
            focal_mm=_positive(entry, "focal_mm", where, required=True) if "focal_mm" in entry else None,
            technique=entry.get("technique"),
            region=entry.get("region"),
            flags=_flags(entry.get("flags", []), where),
            extra=_extra(entry.get("extra", {}), where),
        ),
        body=entry["body"],
        run=entry["run"],
        accepted_at=_moment(entry["accepted_at"], where),
    )


def _fault(what: str, where: str, key: str, got: str, needed: str, fix: str) -> LimitsError:
    return LimitsError(f"{what} in a limit", where=f"{where}, key {key}", got=got, needed=needed, fix=fix)


def shown(value: object) -> str:
    """Return a value that somebody wrote, in a form that is short whatever it is."""
    if isinstance(value, dict | list | tuple):
        return "a table" if isinstance(value, dict) else "a list"
    if isinstance(value, int) and abs(value) > 10**15:
        return "a whole number of more than 15 digits"
    text = repr(value)
    return text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]} ..."


def _positive(entry: dict[str, Any], key: str, where: str, *, required: bool = False) -> float:
    """Return a positive number in the key's range, NaN where it is absent (or written nan) and not required."""
    low, high = _RANGES.get(key, _ANY_POSITIVE)
    if key not in entry:
        if not required:
            return math.nan
        raise _fault("a key is missing", where, key, "nothing", f"{key} = a positive number", "add it")
    value = entry[key]
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _fault("a number was needed", where, key, shown(value), "a positive number", "write it without quotes")
    if isinstance(value, float) and math.isnan(value) and not required:
        return value
    if not low <= value <= high:
        needed = f"a positive number, {low:g} to {high:g}"
        raise _fault("a number is impossible", where, key, shown(value), needed, "correct it")
    return float(value)


def _check_order(value: dict[str, float], ci_low: float, ci_high: float, where: str) -> None:
    ends = list(value.values())
    if len(ends) == 2 and ends[0] > ends[1]:
        raise _fault(
            "the lower f-number lies above the higher",
            where,
            "f_number_low",
            f"{ends[0]:g}",
            f"at most {ends[1]:g}",
            "exchange the two",
        )
    if ci_low > ci_high:
        got = f"{ci_low:g} to {ci_high:g}"
        raise _fault("the interval is upside down", where, "ci_low", got, "ci_low <= ci_high", "exchange the two")


def _criterion(value: Any, where: str) -> dict[str, float]:
    if not isinstance(value, dict):
        raise _fault(
            "a table was needed", where, "criterion", shown(value), "for example { snr = 10.0 }", "write it so"
        )
    criterion = {str(name): _positive(value, name, f"{where}, criterion", required=True) for name in value}
    for name, number in criterion.items():
        low, high = RANGES.get(name, (0.0, math.inf))
        if not low < number < high:
            needed = f"a number between {low:g} and {high:g}: {EXPLANATIONS[name]}"
            raise _fault(
                "a criterion is out of range", f"{where}, criterion", name, f"{number:g}", needed, "correct it"
            )
    return criterion


def _flags(value: Any, where: str) -> tuple[str, ...]:
    if value == []:
        return ()
    from kitgauge.flags import FLAGS  # only where there are some: the registry costs start-up time

    if not isinstance(value, list) or any(not isinstance(flag, str) or flag not in FLAGS for flag in value):
        raise _fault(
            "unknown flag",
            where,
            "flags",
            f"[{', '.join(shown(flag) for flag in value[:20])}]" if isinstance(value, list) else shown(value),
            "a list of flags kitgauge knows",
            "remove the unknown",
        )
    return tuple(value)


def _extra(value: Any, where: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise _fault("a table was needed", where, "extra", shown(value), "{ name = value }", "write it so or remove it")
    return dict(value)


def _moment(value: Any, where: str) -> datetime:
    """Return a date and time with its zone; a plain date is taken as its start, a time without zone as
    UTC.
    """
    if isinstance(value, date) and not isinstance(value, datetime):
        value = datetime(value.year, value.month, value.day)
    if not isinstance(value, datetime):
        raise _fault(
            "a date was needed",
            where,
            "accepted_at",
            shown(value),
            "2026-05-01T12:00:00Z",
            "write the date without quotes",
        )
    if not _YEARS[0] <= value.year <= _YEARS[1]:
        needed = f"a date from {_YEARS[0]} to {_YEARS[1]}"
        raise _fault("a date is impossible", where, "accepted_at", value.isoformat(), needed, "correct it")
    return value if value.tzinfo else value.replace(tzinfo=UTC)
