"""All that a card says, gathered once for the page and for the printed form."""

from __future__ import annotations

from dataclasses import dataclass

from kitgauge.card.kit import CardKit
from kitgauge.card.tables import (
    BASIS_WORDS,
    SIGNS,
    Table,
    depth_tables,
    iso_table,
    light_table,
    main_optic,
    sharp_table,
    shutter_table,
)
from kitgauge.planner.basis import MEASURED, PRACTICE, SCALED

LEGEND = tuple((SIGNS[basis], BASIS_WORDS[basis]) for basis in (MEASURED, SCALED, PRACTICE))
SUN = "Never look or aim at the sun through optics without a filter made for it."
CAUTIONS = (
    "An eye at the viewfinder does not see steps, edges and traffic: stand still to shoot.",
    "A tripod does not belong where people walk; hold it in wind.",
    "Repeated flashes can harm people with photosensitive epilepsy: ask first.",
    "Keep your distance from vehicles, machines and animals; follow local rules.",
)
NOTHING_MEASURED = "Nothing of this kit was measured: every number here is common practice."


@dataclass(frozen=True)
class Card:
    """The card of one kit: headline, limits, depth of field per lens, light, what to know."""

    title: str
    subtitle: str
    shutter: Table
    sharp: Table
    iso: Table
    depth: tuple[Table, ...]
    light: Table
    notes: tuple[str, ...]


def card_of(kit: CardKit) -> Card:
    """Return the card of a kit."""
    if kit.limits:
        newest = max(item.accepted_at for item in kit.limits)
        title, subtitle = kit.body or "Kit without a name", f"Limits accepted up to {newest.astimezone():%Y-%m-%d}"
    else:
        title, subtitle = "Common practice", NOTHING_MEASURED
    return Card(
        title=title,
        subtitle=subtitle,
        shutter=shutter_table(kit),
        sharp=sharp_table(kit),
        iso=iso_table(kit),
        depth=depth_tables(kit),
        light=light_table(kit, main_optic(kit.optics)),
        notes=kit.notes,
    )
