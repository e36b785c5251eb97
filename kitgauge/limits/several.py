"""Which of several accepted limits for one setting a plan uses, said where a second one comes in.

Pure standard library.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from kitgauge.exposure import percent

if TYPE_CHECKING:
    from kitgauge.limits.entries import AcceptedLimit

WIDTH = 100
_TIE = "\N{NO-BREAK SPACE}"
_NUMBER_AND_UNIT = re.compile(r"(?<=\d) (?=(?:s|m|mm|px|µm|MP|stops?|frames)\b|%)")
_ISO_NUMBER = re.compile(r"(?<=\bISO) (?=\d)")
_WORDS: dict[str, Callable[[float], str]] = {
    "snr": "SNR {:g}".format,
    "output_mp": "{:.3g} MP".format,
    "shadow_stops": "shadow {:g} stops down".format,
    "shadow_snr": "shadow SNR {:g}".format,
    "streak_px": "streak {:.3g} px".format,
    "streak_um_35mm": "{:g} µm on 36 x 24 mm".format,
    "keep": lambda share: f"{percent(share)} sharp",
    "mtf50_fraction": lambda share: f"{percent(share)} of the best sharpness",
    "focus_loss": lambda share: f"at most {percent(share)} lost to focusing",
}


def wrapped(text: str, first: str, rest: str) -> list[str]:
    """Return `text` in lines of at most WIDTH characters where its words allow.

    No line ends within a path, or between a number and its unit.
    """
    tied = _ISO_NUMBER.sub(_TIE, _NUMBER_AND_UNIT.sub(_TIE, text))
    lines = textwrap.wrap(
        tied, WIDTH, initial_indent=first, subsequent_indent=rest, break_long_words=False, break_on_hyphens=False
    )
    return [line.replace(_TIE, " ") for line in lines]


def several(limits: Sequence[AcceptedLimit]) -> list[str]:
    """Return a sentence for each setting that more than one of the limits bounds: which, and which one counts."""
    said = []
    isos = [limit for limit in limits if limit.limit.kind == "iso"]
    if len(isos) > 1:
        fits = "fits --output-mp, else the one " if _differ(isos, "output_mp") else ""
        said.append(_sentence("ISO", isos, f"the one that {fits}accepted last" if fits else "the one accepted last"))
    hands = [item for item in limits if item.limit.kind == "shutter" and item.limit.extra.get("role") != "subject"]
    if len(hands) > 1:
        rules = ["of --technique"] if len({limit.limit.technique for limit in hands}) > 1 else []
        rules += ["nearest to --focal"] if len({limit.limit.focal_mm for limit in hands}) > 1 else []
        rules += ["that fits --keep"] if _differ(hands, "keep") else []
        chosen = f"the one {', '.join(rules)}, else the one" if rules else "the one"
        said.append(_sentence("shutter", hands, f"{chosen} that asks for the fastest shutter"))
    same: dict[tuple[object, ...], list[AcceptedLimit]] = {}
    for limit in limits:
        if limit.limit.kind == "f_number":
            by_picture = "picture_mtf" in limit.limit.criterion  # another question than the share of the best sharpness
            key = (limit.limit.lens, limit.limit.focal_mm, limit.limit.region, by_picture)
            same.setdefault(key, []).append(limit)
    for (lens, _, region, _), group in same.items():
        if len(group) > 1:
            what = f"f-number ({', '.join(str(part) for part in (lens, region) if part)})"
            said.append(_sentence(what, group, "the one accepted last"))
    return said


def labels(limits: Sequence[AcceptedLimit]) -> list[str]:
    """Return a few words for each limit: only what tells it from the others."""
    names = [name for name in _WORDS if _differ(limits, name)]
    techniques = len({limit.limit.technique for limit in limits}) > 1
    focals = len({limit.limit.focal_mm for limit in limits}) > 1
    found = []
    for limit in limits:
        parts = [limit.limit.technique or "no technique named"] if techniques else []
        parts += [f"{limit.limit.focal_mm:g} mm" if limit.limit.focal_mm else "no focal length"] if focals else []
        parts += [_WORDS[name](limit.limit.criterion[name]) for name in names if name in limit.limit.criterion]
        found.append(" ".join(parts) or limit.run)
    return found


def _differ(limits: Sequence[AcceptedLimit], criterion: str) -> bool:
    return len({limit.limit.criterion.get(criterion) for limit in limits}) > 1


def _sentence(what: str, limits: Sequence[AcceptedLimit], rule: str) -> str:
    found = labels(limits)
    listed = f"{', '.join(found[:-1])} and {found[-1]}"
    return f"There are now {len(limits)} {what} limits: {listed}; plans use {rule}."
