"""The demo: a small invented kit is simulated, and its frames go through the same code as anybody's."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from rich.console import Console

from kitgauge.errors import ResultsError
from kitgauge.exposure import exact_f_number, exact_iso
from kitgauge.intervals import NORMAL_95
from kitgauge.limits.commands import accept_run
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.kit_folder import kit_folder
from kitgauge.limits.model import Limit
from kitgauge.limits.store import FILE_NAME
from kitgauge.planner.command import plan_from_results
from kitgauge.planner.plan import Plan
from kitgauge.protocol.loading import load_protocol
from kitgauge.protocol.shot_list import shot_list
from kitgauge.readable_text import readable
from kitgauge.report.data import mapping, number, records
from kitgauge.report.evidence import Table
from kitgauge.report.tables import print_table
from kitgauge.runner import Progress, run
from kitgauge.runs.files import make_folder, write_json
from kitgauge.runs.outcome import Run
from kitgauge.simulate.model import SimulatedKit, demo_kit
from kitgauge.simulate.shooting import shoot_protocol
from kitgauge.simulate.true_values import Truth, as_plain, truth

PROTOCOLS = ("noise-ladder", "aperture-sweep", "handheld-shutter")
# The demo's pictures are small, so its criterion is set for a small picture.
OUTPUT_MP = 1.0
# a thing on a table by a lamp: nothing moves but the hands
PLAN: dict[str, Any] = {"light": "ev5", "distance_m": 2.0, "subject": "0"}
TRUTH_FILE = "truth.json"


@dataclass(frozen=True)
class DemoResult:
    """All runs of the demo, with the truth, the limits file and a plan."""

    kit: SimulatedKit
    truth: Truth
    runs: tuple[Run, ...]
    limits_file: Path
    plan: Plan
    folder: Path

    def print(self, console: Console) -> None:
        """Print measured against true, the limits, the plan, and where everything is."""
        say = _speaker(console)
        say(f"{self.kit.body} with {self.kit.lens.name}, {self.kit.technique}. It does not exist.")
        say("Its frames were measured by:")
        for done in self.runs:
            name = done.curves["protocol"]
            held = f" --technique {self.kit.technique}" if name == "handheld-shutter" else ""
            say(f"  kitgauge run {name} {self.folder / 'frames' / name}{held} --criterion output_mp={OUTPUT_MP:g}")
        say("(output_mp=1: the simulated camera has 1.7 megapixels, so its pictures are used small.)")
        print_table(comparison(self.runs, self.truth), console)
        say("")
        say("Limits, as accepted for planning:")
        for done in self.runs:
            for limit in done.limits:
                say(f"  {limit.text}")
        for done in self.runs:
            if done.status != "complete":
                say(f"  {done.folder.name}: {done.status}: {done.reason}")
        say("")
        say("A plan for a still life 2 m away in dim light:")
        say(f"  kitgauge plan --light ev5 --distance 2 --subject 0 --results {self.folder / 'results'}")
        say("")
        say(self.plan.text().rstrip())
        say("")
        say("Reports:")
        for done in self.runs:
            say(f"  {done.folder / 'report.html'}")
        say(f"Limits: {self.limits_file}")
        say(f"Frames and true values: {self.folder / 'frames'}, {self.folder / TRUTH_FILE}")


def _speaker(console: Console) -> Callable[[str], None]:
    def say(text: str) -> None:
        console.print(readable(text), markup=False, highlight=False, soft_wrap=True)

    return say


def run_demo(
    folder: Path, *, seed: int = 1, progress: Progress | None = None, kit: SimulatedKit | None = None
) -> DemoResult:
    """Simulate `kit` (default: the demo kit) below `folder`, run the three main protocols, accept their limits, plan.

    An earlier demo in the same folder is replaced. Raises ResultsError where `folder` holds other things.
    """
    kit = kit or demo_kit()
    tell = progress or (lambda _stage, _done, _total: None)
    results, frames = folder / "results", folder / "frames"
    make_folder(folder)
    if any(folder.iterdir()) and not (folder / TRUTH_FILE).exists():
        raise ResultsError(
            "this folder is not empty and not from an earlier demo",
            where=folder,
            needed="a new or empty folder",
            fix="give another one with --out",
        )
    criteria = Criteria(output_mp=OUTPUT_MP)
    write_json(folder / TRUTH_FILE, {"schema": 1, "seed": seed})
    runs: list[Run] = []
    for count, name in enumerate(PROTOCOLS):
        shots = shot_list(load_protocol(name).protocol, kit.camera_range).shots
        shoot_protocol(
            kit,
            shots,
            frames / name,
            seed=seed + count,
            progress=partial(tell, f"simulating {name}"),
        )
        runs.append(
            run(
                name,
                frames / name,
                results=results,
                criteria=criteria,
                technique=kit.technique if name == "handheld-shutter" else None,
                progress=_named(tell, f"{name}: "),
            )
        )
    known = truth(kit, criteria)
    write_json(folder / TRUTH_FILE, {"schema": 1, "seed": seed, **as_plain(known)})
    kit_name = runs[0].folder.parent.name
    for done in runs:
        if done.limits:
            accept_run(done.folder, results, kit_name, replace=True)
    plan = plan_from_results(results, kit_name, **PLAN)
    return DemoResult(kit, known, tuple(runs), kit_folder(results, kit_name) / FILE_NAME, plan, folder)


def _named(tell: Progress, name: str) -> Progress:
    def named(stage: str, done: int, total: int) -> None:
        tell(f"{name}{stage}", done, total)

    return named


def comparison(runs: Sequence[Run], known: Truth) -> Table:
    """Return measured against true, a row per number, with the distance in per cent or stops and in standard errors."""
    rows: list[tuple[str, ...]] = []
    for done in runs:
        rows += _noise_rows(done, known)
        rows += _sharpness_rows(done, known)
        rows += [row for limit in done.limits for row in _limit_rows(limit, known)]
        rows += _shutter_rows(done, known)
    return Table(
        title="Measured against true",
        columns=("", "measured", "true", "off by", "in standard errors"),
        rows=tuple(rows),
        note="The true values are those of the simulation; no measurement knows them.",
    )


def _noise_rows(done: Run, known: Truth) -> list[tuple[str, ...]]:
    points = [point for point in records(mapping(done.curves.get("noise")).get("points")) if point["channel"] == "G"]
    rows: list[tuple[str, ...]] = []
    for point in (points[0], points[len(points) // 2], points[-1]) if points else ():
        true = known.noise_at(exact_iso(point["iso"]))
        for key, name, unit in (
            ("gain_e_per_dn", "gain", "e-/DN"),
            ("read_noise_e", "read noise", "e-"),
        ):
            rows.append(
                _row(
                    f"{name}, ISO {point['iso']:g} [{unit}]",
                    number(point[key]),
                    getattr(true, key),
                    number(point[f"{key}_stderr"]),
                )
            )
    return rows


def _sharpness_rows(done: Run, known: Truth) -> list[tuple[str, ...]]:
    points = records(mapping(done.curves.get("sharpness")).get("points"))
    rows: list[tuple[str, ...]] = []
    for region in ("centre", "top-left"):
        for f_number in (2.8, 8, 22):
            here = [p for p in points if p["region"] == region and abs(p["f_number"] / f_number - 1) < 0.02]
            outermost = max(here, key=lambda p: math.hypot(p["x_norm"] - 0.5, p["y_norm"] - 0.5), default=None)
            if outermost is not None:
                true = known.mtf50_at(exact_f_number(f_number), outermost["x_norm"], outermost["y_norm"])
                rows.append(
                    _row(
                        f"MTF50, {region}, {outermost['orientation']} edge, f/{f_number:g} [cycles/pixel]",
                        number(outermost["mtf50_cy_per_px"]),
                        true,
                        number(outermost["mtf50_cy_per_px_stderr"]),
                    )
                )
    return rows


def _limit_rows(limit: Limit, known: Truth) -> list[tuple[str, ...]]:
    if limit.kind == "iso" and known.iso_limit is not None:
        return [_stops_row("ISO limit", limit.value["iso"], known.iso_limit, limit.stderr_stops, "{:.0f}".format)]
    if limit.kind == "f_number" and limit.region == "centre" and "mtf50_fraction" in limit.criterion:
        true = known.aperture_at(0.5, 0.5).sharp_range
        ends = (("lowest", "f_number_low", true[0]), ("highest", "f_number_high", true[1]))
        return [
            _stops_row(
                f"{name} sharp f-number, centre",
                limit.value[key],
                value,
                _end_stderr(limit, key),
                "f/{:.3g}".format,
                2.0,
            )
            for name, key, value in ends
        ]
    return []


def _end_stderr(limit: Limit, key: str) -> float:
    """Return the standard error [stops] of one end of a range of f-numbers, from its 95 % interval."""
    low, high = limit.extra.get(f"{key}_ci") or (math.nan, math.nan)
    return 2.0 * math.log2(high / low) / (2.0 * NORMAL_95) if 0 < low < high else math.nan


def _shutter_rows(done: Run, known: Truth) -> list[tuple[str, ...]]:
    rows = []
    for limit in records(mapping(done.curves.get("blur")).get("limits")):
        true = known.shutter_limits_s.get(limit["keep"])
        if true is not None and limit.get("shutter_s"):
            name = f"slowest shutter, {limit['keep'] * 100:.0f} % of frames sharp"
            stderr = number(limit.get("stderr_stops"))
            rows.append(_stops_row(name, limit["shutter_s"], true, stderr, lambda t: f"1/{1 / t:.3g} s"))
    return rows


def _row(name: str, measured: float, true: float, stderr: float) -> tuple[str, ...]:
    off = f"{100 * (measured / true - 1):+.2f} %"
    return (name, f"{measured:.4g} ± {stderr:.1g}", f"{true:.4g}", off, f"{(measured - true) / stderr:+.1f}")


def _stops_row(
    name: str, measured: float, true: float, stderr_stops: float, show: Callable[[float], str], per_factor: float = 1.0
) -> tuple[str, ...]:
    off = per_factor * math.log2(measured / true)
    errors = f"{off / stderr_stops:+.1f}" if stderr_stops > 0 else "not estimated"
    return (name, show(measured), show(true), f"{off:+.2f} stops", errors)
