"""A grid of plans for one kit: light down, subject across.

Every cell is a whole plan, made by the same planner as a single one. Pure standard library.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from kitgauge.exposure import format_f_number, format_shutter, nominal_iso
from kitgauge.limits.several import wrapped
from kitgauge.planner.kit_model import KitModel
from kitgauge.planner.plan import Plan, make_plan
from kitgauge.planner.request import TRIPOD, CameraFacts, PlanRequest
from kitgauge.planner.way_out import settings_dict

if TYPE_CHECKING:
    from kitgauge.limits.entries import AcceptedLimit

SCHEMA = 1
# Exposure values at ISO 100 of everyday scenes (common practice, no source; meter where it matters)
EVERYDAY_LIGHT: tuple[tuple[float, str], ...] = (
    (15.0, "full sun"),
    (14.0, "hazy sun"),
    (13.0, "bright cloud"),
    (12.0, "overcast, open shade"),
    (10.0, "after sunset, deep shade"),
    (8.0, "beside a window, bright shop"),
    (7.0, "office, stage"),
    (6.0, "living room by day"),
    (5.0, "living room in the evening"),
    (4.0, "candles near by, lit street"),
    (2.0, "night street"),
    (0.0, "floodlit building far off"),
    (-3.0, "full moon, landscape"),
)
SUBJECT_WORDS = {
    "still": "holding still",
    "moving": "moving",
    "fast": "birds, sport",
    "0": "nothing moves",
}
_SUBJECTS = ("still", "moving", "fast")


@dataclass(frozen=True)
class TableCell:
    """One plan of the grid, and what it is short of [stops], 0 where nothing is."""

    ev100: float
    subject: str
    plan: Plan

    @property
    def short_stops(self) -> float:
        """The largest of what is missing: light to keep every limit, exposure, depth [stops]."""
        choice = self.plan.choice
        return max(
            choice.shortfall_stops, choice.underexposed_stops, choice.overexposed_stops, choice.depth_shortfall_stops
        )

    def text(self) -> str:
        """Return the settings in short, '1/60 f/4 ISO 800', with what is missing in stops behind them."""
        setting = self.plan.setting
        time = format_shutter(setting.shutter_s)
        time = time.removesuffix(" s") if time.startswith("1/") else time
        said = f"{time} {format_f_number(setting.f_number)} ISO {nominal_iso(setting.iso):.0f}"
        return f"{said} ({-self.short_stops:+.1f})" if self.short_stops >= 0.05 else said

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        choice, predicted = self.plan.choice, self.plan.predicted
        return {
            "ev100": self.ev100,
            "subject": self.subject,
            "settings": settings_dict(self.plan.setting),
            "binds": self.plan.binds,
            "shortfall_stops": choice.shortfall_stops,
            "overexposed_stops": choice.overexposed_stops,
            "underexposed_stops": choice.underexposed_stops,
            "depth_shortfall_stops": choice.depth_shortfall_stops,
            "predicted": {"keep_rate": predicted.keep_rate, "snr": predicted.snr},
        }


@dataclass(frozen=True)
class PlanTable:
    """Plans for every light (rows) and subject (columns); `notes` tell what of the kit was not read."""

    lights: tuple[tuple[float, str], ...]
    subjects: tuple[str, ...]
    rows: tuple[tuple[TableCell, ...], ...]
    notes: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        first = self.rows[0][0].plan
        return {
            "schema": SCHEMA,
            "focal_mm": first.inputs.focal_mm,
            "technique": first.inputs.technique,
            "lights": [{"ev100": ev, "scene": scene} for ev, scene in self.lights],
            "subjects": list(self.subjects),
            "cells": [cell.as_dict() for row in self.rows for cell in row],
            "cautions": list(self.notes),
        }

    def text(self) -> str:
        """Return the grid as text, with what holds for all of it above and below."""
        first = self.rows[0][0].plan
        heads = ["EV", "light", *(SUBJECT_WORDS.get(name, f"subject {name}") for name in self.subjects)]
        body = [
            [f"{ev:g}", scene, *(cell.text() for cell in row)]
            for (ev, scene), row in zip(self.lights, self.rows, strict=True)
        ]
        widths = [max(len(line[column]) for line in (heads, *body)) for column in range(len(heads))]
        lines = [f"{first.inputs.focal_mm:g} mm; {first.inputs.technique or 'handheld'}; EV at ISO 100", ""]
        for number, cells in enumerate((heads, *body)):
            padded = (cell.ljust(width) for cell, width in zip(cells, widths, strict=True))
            lines.append("  ".join(padded).rstrip())
            if number == 0:
                lines.append("  ".join("-" * width for width in widths))
        if any(cell.short_stops >= 0.05 for row in self.rows for cell in row):
            lines += ["", "(-1.0): so many stops are missing to keep every limit; `kitgauge plan --light ...` tells"]
            lines.append("the ways out.")
        lines += ["", "Where the numbers come from:"]
        for name in ("hands", "sharpness", "noise"):
            because = first.basis[name]
            lines.append(f"  {name}: {because.basis}: {because.text}")
        lines.append("  light of the scenes: common practice; meter where it matters")
        for note in self.notes:
            lines += wrapped(f"Caution: {note}", "", "  ")
        return "\n".join(lines) + "\n"


def plan_table(
    limits: Sequence[AcceptedLimit] = (),
    camera: CameraFacts | None = None,
    model: KitModel | None = None,
    request: PlanRequest | None = None,
    lights: Sequence[tuple[float, str]] = EVERYDAY_LIGHT,
    subjects: Sequence[str] = _SUBJECTS,
) -> PlanTable:
    """Return the plans for every light (EV at ISO 100, name of the scene) and subject.

    `request` holds what all of them share (focal length, distances, technique ...); its light and subject are not
    used. Raises what `make_plan` raises.
    """
    shared = request or PlanRequest()
    bright_first = tuple(sorted(lights, key=lambda item: -item[0]))
    rows = tuple(
        tuple(
            TableCell(ev, subject, make_plan(asked, limits, camera, model))
            for subject in subjects
            for asked in (replace(shared, light=None, ev100=ev, subject=subject),)
        )
        for ev, _ in bright_first
    )
    return PlanTable(bright_first, tuple(subjects), rows)


def table_for(
    request: PlanRequest, subject: object, limits: Sequence[AcceptedLimit], camera: CameraFacts, model: KitModel
) -> PlanTable:
    """Return the grid for everyday light, with the usual subjects, and `subject` where one is named."""
    named = () if subject is None or str(subject) in SUBJECT_WORDS else (str(subject),)
    usual = ("0", *_SUBJECTS) if (request.technique or "").casefold() == TRIPOD else _SUBJECTS
    return plan_table(limits, camera, model, request, subjects=(*usual, *named))
