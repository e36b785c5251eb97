"""How far MTF50 and the MTF curve of single edges are from the truth, sweep by sweep.

    python bench/edge_accuracy.py [--seeds N] [--only TEXT]

Each row is one condition, every seed of it an edge with its own phase and noise. Edges and their true MTF are made by
the tests' own code (`tests/measure/edge_scenes.py`, `edge_optics.py`: the sine series of known transfer functions), not
by the package. Printed: bias of MTF50 with its standard error, scatter, mean and standard deviation of error / stderr,
the largest difference of the mean curve up to 0.5 cycles/px, the root mean square of error / stderr along it, the
worst single edge, the edges refused, and processor time an edge.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from rich.console import Console
from rich.table import Table

_TESTS = Path(__file__).resolve().parents[1] / "tests"
sys.path[:0] = [str(_TESTS), str(_TESTS / "measure")]

from edge_optics import (  # type: ignore[import-not-found]  # noqa: E402
    Transfer,
    disc,
    ideal,
    motion,
    mtf50_of,
    normal,
    product,
    pupil,
    sharpened,
    skewed,
    spread_of,
    with_pixel,
)
from edge_scenes import half_plane  # type: ignore[import-not-found]  # noqa: E402

from kitgauge.measure.edges.edge_candidate import candidate_from_line  # noqa: E402
from kitgauge.measure.edges.edge_sfr import measure_edge  # noqa: E402

NU = np.linspace(0.0, 0.5, 51)
# lambda N / pitch [px] and normal blur [px], about f/1.8 to f/22 at 0.55 um and 4 um
F_NUMBERS = {"f/1.8": (0.25, 0.8), "f/2.8": (0.39, 0.3), "f/4": (0.55, 0.3), "f/5.6": (0.78, 0.35),
             "f/8": (1.1, 0.35), "f/11": (1.56, 0.35), "f/16": (2.2, 0.35), "f/22": (3.11, 0.35)}  # fmt: skip
TILTS = (2.0, 3.5, 5.0, 8.2, 11.31, 12.0)


@dataclass(frozen=True)
class Case:
    """One condition: `lenses` are used in turn, `scene` goes to the scene maker, `cutoffs` to the fit where known."""

    sweep: str
    name: str
    lenses: tuple[tuple[Transfer, float], ...]
    tilts: tuple[float, ...] = TILTS
    snr: float = 60.0
    scene: dict[str, Any] = field(default_factory=dict)
    known: bool = False


def _lens(name: str) -> tuple[Transfer, float]:
    cutoff, sigma = F_NUMBERS[name]
    return product(ideal(cutoff), normal(sigma)), cutoff


ALL = tuple(_lens(name) for name in F_NUMBERS)
COMMON = tuple(_lens(name) for name in ("f/1.8", "f/4", "f/8", "f/16"))
SHAPES: dict[str, Transfer] = {
    "defocus 1 wave": pupil(0.39, w20=1.0),
    "defocus 2.5 waves": pupil(0.39, w20=2.5),
    "spherical 1.5 waves, best focus": pupil(0.3, w20=-1.5, w40=1.5),
    "spherical 1.5 waves, off focus": pupil(0.3, w20=-0.6, w40=1.5),
    "spherical 3 waves": pupil(0.25, w20=-3.0, w40=3.0),
    "coma 0.7 waves": pupil(0.4, w31=0.7),
    "coma 1.5 waves": pupil(0.3, w31=1.5),
    "coma and defocus": pupil(0.3, w20=0.8, w31=1.0),
    "one-sided flare": product(ideal(0.78), normal(0.35), skewed(0.25, 1.2, 1.2)),
    "halo": product(ideal(0.5), normal(0.4), skewed(0.3, 3.0, 0.0)),
    "disc of 3 px": product(ideal(0.3), normal(0.35), disc(1.5)),
    "disc of 12 px": product(ideal(0.3), normal(0.35), disc(6.0)),
    "motion of 3 px": product(ideal(0.5), normal(0.35), motion(3.0)),
    "motion of 12 px": product(ideal(0.5), normal(0.35), motion(12.0)),
    "sharpened, small radius": product(ideal(0.5), normal(0.55), sharpened(0.8, 0.7)),
    "sharpened, large radius": product(ideal(0.5), normal(0.6), sharpened(0.6, 1.5)),
}


def cases() -> Iterator[Case]:
    """Yield every condition."""
    for name in F_NUMBERS:
        for snr in (60.0, 3000.0):
            yield Case("f-number", f"{name}, SNR {snr:g}", (_lens(name),), snr=snr)
        yield Case("f-number", f"{name}, SNR 60, known", (_lens(name),), known=True)
    for tilt in TILTS:
        yield Case("tilt", f"{tilt:g} degrees", ALL, tilts=(tilt,))
    for snr in (20.0, 30.0, 60.0, 100.0, 200.0):
        yield Case("noise", f"SNR {snr:g}", ALL, snr=snr)
        yield Case("noise", f"SNR {snr:g}, known", ALL, snr=snr, known=True)
    for dark in (150.0, 400.0, 800.0, 1600.0, 2200.0):
        yield Case("contrast", f"{3200 / dark:.1f} to 1", COMMON, snr=100.0, scene={"dark": dark})
    for fall in (-0.006, -0.003, 0.003, 0.006):
        yield Case("light", f"{100 * fall:g} % per px across", COMMON, snr=100.0, scene={"fall_across": fall})
    yield Case("light", "0.2 % per px along", COMMON, snr=100.0, scene={"fall_along": 0.002})
    for length in (60.0, 100.0, 200.0, 400.0):
        yield Case("length", f"{length:g} px", COMMON, scene={"length": length})
    for reach in (15.0, 20.0, 40.0, 80.0):
        yield Case("window", f"{reach:g} px free", COMMON, scene={"reach": reach})
    for bow in (-4.0, -1.0, 1.0, 4.0):
        yield Case("bow", f"{bow:g} px", COMMON, snr=100.0, scene={"bow": bow, "length": 300.0})
    for pattern in ("bayer", "six", "mono"):
        for across in (False, True):
            direction = "horizontal" if across else "vertical"
            yield Case("pattern", f"{pattern}, {direction}", COMMON, scene={"pattern": pattern, "horizontal": across})
    for width in (0.5, 1.0, 2.0, 4.0, 6.0, 8.0, 12.0):
        # 10 to 90 % distance of a normal blur: 2.563 sigma
        lens = product(ideal(0.3), normal(width / 2.563))
        yield Case("blur", f"10-90 % in {width:g} px", ((lens, 0.3),), scene={"length": 250.0, "reach": 60.0})
    for name, shape in SHAPES.items():
        scene = {"length": 250.0, "reach": 50.0}
        yield Case("shape", f"{name}, SNR 500", ((shape, math.nan),), snr=500.0, scene=scene)
        yield Case("shape", f"{name}, SNR 60", ((shape, math.nan),), snr=60.0, scene=scene)


@dataclass(frozen=True)
class Row:
    """What one case came to; MTF50 errors in per cent."""

    bias: float
    bias_stderr: float
    scatter: float
    pull_mean: float
    pull_std: float
    curve: float
    curve_pull: float
    worst: float
    refused: int
    cpu_ms: float


def run_case(case: Case, seeds: int) -> Row:
    """Measure `seeds` edges of a case."""
    error, pull, stray, curve_pull, refused, cpu = [], [], [], [], 0, 0.0
    spreads: dict[tuple[int, float], Any] = {}
    for seed in range(seeds):
        which, tilt = seed % len(case.lenses), case.tilts[seed % len(case.tilts)]
        if len(case.tilts) % len(case.lenses) == 0 or len(case.lenses) % len(case.tilts) == 0:
            tilt = case.tilts[(seed // len(case.lenses)) % len(case.tilts)]
        transfer, cutoff = case.lenses[which]
        if (which, tilt) not in spreads:
            truth = np.abs(with_pixel(transfer, tilt)(np.maximum(NU, 1e-9)))
            spreads[which, tilt] = spread_of(transfer, tilt), truth, mtf50_of(transfer, tilt)
        spread, truth, true50 = spreads[which, tilt]
        scene_kwargs = {"reach": 44.0, **case.scene}
        reach = scene_kwargs["reach"]
        scene = half_plane(
            cutoff_px=0.0, sigma_px=0.0, tilt_deg=tilt, spread=spread, snr=case.snr, seed=7919 * seed + 13,
            phase=((0.377 * seed) % 1.0, (0.611 * seed) % 1.0), **scene_kwargs,
        )  # fmt: skip
        x0, y0, x1, y1 = scene.ends
        miss = 0.6 * math.sin(1.7 * seed)
        candidate = candidate_from_line(x0 + miss, y0 + miss, x1 - miss, y1 - miss, scene.normal, reach)
        begin = time.process_time()
        edge = measure_edge(
            scene.signal, scene.mask, scene.saturated, candidate, diffraction_px=cutoff if case.known else None
        )
        cpu += time.process_time() - begin
        if not edge.usable:
            refused += 1
            continue
        error.append(100.0 * (edge.mtf50_cy_per_px / true50 - 1.0))
        pull.append((edge.mtf50_cy_per_px - true50) / edge.mtf50_stderr)
        difference = np.interp(NU, edge.frequency_cy_per_px, edge.mtf) - truth
        stray.append(difference)
        # beyond the cutoff both the curve and its error are nought
        curve_error = np.hypot(np.interp(NU, edge.frequency_cy_per_px, edge.mtf_stderr), 1e-3)
        curve_pull.append((difference / curve_error)[10:41:10])
    if len(error) < 2:
        return Row(*(math.nan,) * 8, refused, 1e3 * cpu / seeds)
    return Row(
        bias=float(np.mean(error)),
        bias_stderr=float(np.std(error, ddof=1) / math.sqrt(len(error))),
        scatter=float(np.std(error, ddof=1)),
        pull_mean=float(np.mean(pull)),
        pull_std=float(np.std(pull, ddof=1)),
        curve=float(np.abs(np.mean(stray, axis=0)).max()),
        curve_pull=float(np.sqrt(np.mean(np.square(curve_pull)))),
        worst=float(np.abs(error).max()),
        refused=refused,
        cpu_ms=1e3 * cpu / seeds,
    )


def main() -> None:
    """Run the sweeps and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=48, help="edges per row")
    parser.add_argument("--only", default="", help="rows whose sweep and name contain this")
    arguments = parser.parse_args()
    table = Table("sweep", "condition", "bias, %", "scatter, %", "error / stderr", "curve, mean", "curve pulls",
                  "worst edge, %", "refused", "cpu, ms", box=None)  # fmt: skip
    for case in cases():
        if arguments.only not in f"{case.sweep}: {case.name}":
            continue
        row = run_case(case, arguments.seeds)
        table.add_row(
            case.sweep, case.name, f"{row.bias:+.3f} ± {row.bias_stderr:.3f}", f"{row.scatter:.2f}",
            f"{row.pull_mean:+.2f} ± {row.pull_std:.2f}", f"{row.curve:.4f}", f"{row.curve_pull:.2f}",
            f"{row.worst:.2f}", str(row.refused), f"{row.cpu_ms:.1f}",
        )  # fmt: skip
    Console(width=150).print(table)


if __name__ == "__main__":
    main()
