"""Invented kits with limits in round numbers, as limits files."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from kitgauge.card.chooser import ChooserTable
from kitgauge.card.kit import CardKit
from kitgauge.limits.model import Limit
from kitgauge.limits.store import accept
from kitgauge.planner.plan import Plan, make_plan
from kitgauge.planner.request import PlanRequest

BODY = "Invented One #7 <script>alert(1)</script> & Söhne"
LENS = 'Invented 50 mm f/1.8 "Extra <b>Long</b> Name Of A Lens That Was Never Made" II'
ZOOM = "Invented Zoom 70-200"
UNKNOWN = float("nan")


def shutter(focal_mm: float, shutter_s: float, technique: str | None, keep: float = 0.8, **extra: object) -> Limit:
    return Limit(
        "shutter", {"shutter_s": shutter_s}, {}, shutter_s * 0.85, shutter_s * 1.2, {"streak_px": 5.0, "keep": keep},
        "", 0.1, LENS if focal_mm == 50 else ZOOM, focal_mm, technique, extra=dict(extra),
    )  # fmt: skip


def sharp(lens: str, focal_mm: float, low: float, high: float, region: str = "whole frame") -> Limit:
    return Limit(
        "f_number", {"f_number_low": low, "f_number_high": high}, {}, low * 0.9, high * 1.1, {"mtf50_fraction": 0.9},
        "", UNKNOWN, lens, focal_mm, region=region,
    )  # fmt: skip


def highest_iso(iso: float, output_mp: float = 8.0) -> Limit:
    return Limit("iso", {"iso": iso}, {}, iso * 0.95, iso * 1.05, {"snr": 10.0, "output_mp": output_mp}, "", 0.05)


def write_kit(results: Path, limits: list[Limit], name: str = "invented-one") -> Path:
    accept(results / name / "limits.toml", "run-1", limits, body=BODY, now=datetime(2026, 5, 1, 12, tzinfo=UTC))
    return results


def write_many(results: Path) -> Path:
    """A kit of five techniques, eight lenses and three measured subjects, with names too long for any line."""
    limits = [shutter(50.0, 0.01 * k, f"way of holding {'W' * 60} {k}") for k in range(1, 6)]
    limits += [shutter(85.0, 0.002 * k, None, role="subject", subject=f"toy {k}") for k in range(1, 4)]
    limits += [sharp(f"Lens {'without-a-break' * 8} {focal:g}", focal, 2.8, 11.0) for focal in FOCALS_MM]
    return write_kit(results, [*limits, highest_iso(1600.0), highest_iso(3200.0, 2.0)])


FOCALS_MM = (14.0, 20.0, 28.0, 40.0, 60.0, 90.0, 130.0, 300.0)


def expected_plan(
    kit: CardKit, chooser: ChooserTable, hold: int, lens: int, subject: int, light: int, distance: int
) -> Plan:
    """The plan by the planner alone, from what the choices say."""
    optic, scene = chooser.optics[lens], chooser.scenes[subject]
    nearest = chooser.distances_m[distance]
    where = {"distance_m": nearest}
    if scene.depth_m:
        where = {"near_m": nearest, "far_m": nearest + scene.depth_m}
    technique = None if chooser.holds[hold] == "handheld" else chooser.holds[hold]
    request = PlanRequest(
        ev100=chooser.lights[light][0], focal_mm=optic.focal_mm, lens=optic.lens, technique=technique,
        subject=scene.subject, **where,
    )  # fmt: skip
    return make_plan(request, kit.limits, kit.camera(optic), kit.model)
