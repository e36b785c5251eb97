"""What the letter says of a noise run beside the limit: in which light it holds, and what ISO does on this body."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from kitgauge.report import wording
from kitgauge.report.dark_current_tables import dark_sentences
from kitgauge.report.data import mapping, number, records, text, texts
from kitgauge.report.developed_tables import developed_sentences

_MOST_AVOIDED = 8
_MOST_SENTENCES = 5
_LIGHT_NAMES = {"tungsten": "lamp light (tungsten)"}


@dataclass(frozen=True)
class NoiseLetter:
    """Sentences on light, each with what it stands on; on what ISO does; on long exposures."""

    lights: tuple[tuple[str, str, str], ...]  # heading, sentence, what it stands on
    meaning: tuple[str, ...]
    dark: tuple[str, ...] = ()  # on dark current
    developed: tuple[str, ...] = ()  # on developed pictures


def noise_letter(noise: Mapping[str, Any], limits: Sequence[Mapping[str, Any]] = ()) -> NoiseLetter | None:
    """Return what the letter adds for a noise run, None where there is nothing to add."""
    told = {text(limit.get("text")) for limit in limits}
    lights = tuple(
        found for row in records(noise.get("lights")) if (found := light_text(row)) is not None and found[1] not in told
    )
    fit = mapping(noise.get("fit"))
    meaning = [
        *_sentences(mapping(fit.get("shadow")).get("text")),
        *avoid_sentences(fit),
        *meaning_sentences(noise),
    ]
    meaning = [sentence for sentence in dict.fromkeys(meaning) if sentence not in told]
    letter = NoiseLetter(lights, tuple(meaning), dark_sentences(noise), developed_sentences(noise))
    return letter if any((letter.lights, letter.meaning, letter.dark, letter.developed)) else None


def light_text(row: Mapping[str, Any]) -> tuple[str, str, str] | None:
    """Return (heading, sentence, what it stands on) of the limit in one colour of light; None without an ISO."""
    iso, dial = number(row.get("iso")), number(row.get("iso_dial"))
    name = _LIGHT_NAMES.get(text(row.get("light")), text(row.get("light")) or "this light")
    heading = f"{name[:1].upper()}{name[1:]}"
    sentence = _sentence(text(row.get("text")))
    if not (iso > 0):
        return (heading, sentence, "") if sentence else None
    setting = wording.iso(dial) if dial > 0 else f"ISO {wording.plain(iso, 3)}"
    setting = f"{'at least ' if row.get('at_least') is True else ''}{setting}"
    if not sentence:
        sentence = f"In {name} the limit is ISO {wording.plain(iso, 3)}, {setting} on the dial."
    if "interval" not in sentence and (interval := _interval(row)):
        sentence = f"{sentence} {interval}"
    return f"{heading}: {setting}", sentence, _basis(row, "estimated" in sentence)


def avoid_sentences(fit: Mapping[str, Any]) -> list[str]:
    """Return a sentence for each ISO to avoid: what it is made from and what to use; alike ones are not grouped."""
    found = []
    for row in records(fit.get("avoid"))[:_MOST_AVOIDED]:
        iso, instead = number(row.get("iso")), number(row.get("instead_iso"))
        said = _sentence(text(row.get("text")))
        if not said and iso > 0:
            reason = text(row.get("reason")).replace("-", " ")
            said = f"Avoid ISO {wording.plain(iso, 6)}{f': {reason}' if reason else ''}."
            if instead > 0:
                said += f" Use ISO {wording.plain(instead, 6)} instead."
        if said:
            found.append(said)
    return found


def meaning_sentences(noise: Mapping[str, Any]) -> list[str]:
    """Return what is told of the ISO values' labels, but for values of which it is said already that they are made
    digitally; the rest of a long account stands in the table.
    """
    meaning = mapping(noise.get("iso_meaning"))
    avoided = {number(row.get("iso")) for row in records(mapping(noise.get("fit")).get("avoid"))}
    told = {
        _sentence(text(row.get("text"))) for row in records(meaning.get("values")) if number(row.get("iso")) in avoided
    }
    pieces = re.split(r"(?<=\.) (?=[A-Z\d])", " ".join(_sentences(meaning.get("text"))))
    found = [_shortened(piece) for piece in pieces if piece and piece not in told]
    if len(found) > _MOST_SENTENCES:
        return [*found[:_MOST_SENTENCES], f"{len(found) - _MOST_SENTENCES} more like these: see the tables below."]
    return found


def _shortened(sentence: str) -> str:
    """Return a sentence that lists more settings than one reads with the first of them only."""
    items = sentence.split("; ")
    if len(items) <= _MOST_SENTENCES:
        return sentence
    kept = _MOST_SENTENCES - 2
    return f"{'; '.join(items[:kept])}; and {len(items) - kept} more: see the tables below."


def _basis(row: Mapping[str, Any], said: bool) -> str:
    """Return what the limit in one light stands on: a measured or an estimated balance of the colours (`said` where
    the sentence has told that it is estimated).
    """
    red, blue = number(row.get("red_over_green")), number(row.get("blue_over_green"))
    balance = ""
    if math.isfinite(red) and math.isfinite(blue):
        balance = f" (red {wording.plain(red, 2)}, blue {wording.plain(blue, 2)} of green)"
    source = text(row.get("source"))
    if source == "estimated":
        lead = "To be sure" if said else "The balance of the colours is estimated: to be sure"
        return f"{lead}, shoot a grey card in this light{balance.replace('(', '(taken for now: ', 1)}."
    if source == "measured":
        return f"Balance of the colours measured on your frames{balance}."
    return f"Balance of the colours{balance}." if balance else ""


def _interval(row: Mapping[str, Any]) -> str:
    """Return the limit before it is rounded to the dial, with its 95 % interval; empty where that is unknown."""
    low, high = number(row.get("ci_low")), number(row.get("ci_high"))
    value, *ends = (f"ISO {wording.plain(number(v), 3)}" for v in (row.get("iso"), low, high))
    if low > 0 and high > 0:
        return f"Before rounding to the dial: {value}, 95 % interval {ends[0]} to {ends[1]}."
    if low > 0:
        return f"With 95 % confidence it is {ends[0]} or higher; the higher end is open."
    if high > 0:
        return f"With 95 % confidence it is {ends[1]} or lower; the lower end is open."
    return ""


def _sentences(value: object) -> list[str]:
    return [_sentence(item) for item in texts(value)]


def _sentence(said: str) -> str:
    """Return a text as a sentence: a capital first, a full stop last."""
    said = said.strip()
    if not said:
        return ""
    return f"{said[:1].upper()}{said[1:]}" + ("" if said[-1] in ".!?" else ".")
