"""The card as one page that needs nothing else: for the phone, without a network."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from kitgauge.card.chooser import START_DISTANCE_M, START_EV, ChooserTable
from kitgauge.card.content import CAUTIONS, LEGEND, SUN, Card
from kitgauge.card.tables import main_optic
from kitgauge.html_page import html_page

_TEMPLATE = "card.html.jinja"


def card_page(card: Card, chooser: ChooserTable) -> str:
    """Return the page as HTML. Everything that comes from files is escaped."""
    return html_page(
        _TEMPLATE,
        "kitgauge.card",
        card=card,
        cautions=CAUTIONS,
        sun=SUN,
        legend=LEGEND,
        pickers=_pickers(chooser),
        chooser_notes=chooser.notes,
        data=_script_data(chooser.as_dict()),
    )


def _pickers(chooser: ChooserTable) -> list[dict[str, Any]]:
    """Return the pickers in the order of the table's axes: name, label, its options and the one to start with."""
    lights = [f"EV {ev:g}" + (f": {scene}" if scene else "") for ev, scene in chooser.lights]
    start_light = _nearest([ev for ev, _ in chooser.lights], START_EV)
    return [
        {"name": name, "label": label, "options": options, "start": start}
        for name, label, options, start in (
            ("hold", "Camera held", list(chooser.holds), 0),
            ("lens", "Lens", [item.label for item in chooser.optics], chooser.optics.index(main_optic(chooser.optics))),
            ("subject", "Subject", [scene.label for scene in chooser.scenes], 0),
            ("light", "Light", lights, start_light),
            (
                "distance",
                "Distance to its nearest point",
                [f"{value:g} m" for value in chooser.distances_m],
                _nearest(chooser.distances_m, START_DISTANCE_M),
            ),
        )
    ]


def _nearest(values: Sequence[float], wanted: float) -> int:
    return min(range(len(values)), key=lambda place: abs(values[place] - wanted))


def _script_data(values: dict[str, Any]) -> str:
    """Return JSON that can stand in a script element: no sign in it can end that or begin another."""
    text = json.dumps(values, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text
