"""How far the streak of single frames is from the truth: length, shape, direction, noise, lens blur, tripod frames.

    python bench/streak_accuracy.py [--only TEXT] [--paths N] [--noise N]

Pictures of five moving squares are made by the tests' own code (`tests/measure/moving_squares.py`: closed-form squares
averaged over the points of a path); the truth is sqrt(12 trace) of the path's own covariance. Frames go the whole way:
edges found in the first tripod frame, followed, profiles, streak. Each row takes `--paths` paths in directions of their
own, each shifted and turned in the frame, with `--noise` draws of noise; each path has a reference of its own. Kinds
"hands ..." and "camera ..." are the parts of the simulated motion (`kitgauge/simulate`), each by itself as drawn for
1/8 s and scaled to the length. Printed:
bias and scatter, mean and standard deviation of error / stderr, worst error as a share of what is allowed (0.08 px +
2 % at SNR 60 and over, 0.2 px + 4 % below), frames outside of it, and frames censored.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "measure"))

from moving_squares import green, motion_path, noisy, render, squares  # type: ignore[import-not-found]

from kitgauge.measure.blur.edge_tracking import follow_edges
from kitgauge.measure.blur.streak import Streak, measure_streak, reference_edges
from kitgauge.measure.edges.clear_ground import widen_edges
from kitgauge.measure.edges.edge_candidate import EdgeCandidate
from kitgauge.measure.edges.edge_finding import find_edges
from kitgauge.measure.edges.edge_profile import EdgeProfile, edge_profiles
from kitgauge.simulate.camera_motion import ShutterKnock, Stabiliser
from kitgauge.simulate.hands import Hands, Motion, draw_motion, still_motion

SHAPE = (760, 1000)
MASK = green(SHAPE)
CLEAR = np.zeros(SHAPE, dtype=bool)
STILL = np.zeros((2, 3))
SHAPES = ("drift", "sine", "tremor", "curve", "jerk", "jump", "arc")
NOTHING = Hands(sway_rad_per_s=0.0, shake_rad=0.0, tremor_rad=0.0, jerk_rad=0.0)
PARTS = ("hands sway", "hands shake", "hands tremor", "hands button", "hands stabilised", "hands all", "camera knock")
EXPOSURE_S = 1.0 / 8.0
LENGTHS_PX = (0.7, 1.0, 1.5, 2.5, 4.0, 8.0, 15.0, 25.0, 40.0)


@dataclass(frozen=True)
class Case:
    """One row: what moves, how far [px], where to [degrees; None: all round], and how it is photographed."""

    sweep: str
    kind: str
    streak_px: float
    direction_deg: float | None = None
    snr: float = 60.0
    sigma_px: float = 0.75
    tripods: int = 3

    @property
    def name(self) -> str:
        """Readable label."""
        towards = "" if self.direction_deg is None else f" at {self.direction_deg:g} deg"
        return (
            f"{self.sweep}: {self.kind} {self.streak_px:g} px{towards}, SNR {self.snr:g}, "
            f"sigma {self.sigma_px:g}, {self.tripods} tripod"
        )

    @property
    def allowed_px(self) -> float:
        """Largest error allowed."""
        return 0.08 + 0.02 * self.streak_px if self.snr >= 60.0 else 0.2 + 0.04 * self.streak_px


def cases() -> Iterator[Case]:
    """Return every row of the table."""
    for kind in SHAPES:
        yield from (Case("length", kind, length) for length in LENGTHS_PX)
    for part in PARTS:
        yield from (Case("parts", part, length) for length in LENGTHS_PX)
        yield from (Case("parts", part, length, snr=20.0) for length in (0.7, 2.5, 10.0, 40.0))
    for angle in range(0, 180, 15):
        yield from (Case("direction", "drift", length, float(angle)) for length in (0.7, 5.0, 30.0))
    for snr in (20.0, 30.0, 120.0):
        yield from (
            Case("noise", kind, x, snr=snr) for kind in ("drift", "sine", "jump") for x in (0.7, 2.5, 10.0, 40.0)
        )
    for sigma in (0.4, 0.55, 1.0, 1.5):
        for kind in ("drift", "sine", "jump"):
            yield from (Case("lens", kind, x, sigma_px=sigma) for x in (0.7, 1.5, 4.0, 12.0, 40.0))
    for tripods in (1, 2, 4):
        yield from (Case("tripods", "drift", x, tripods=tripods) for x in (0.7, 2.5, 15.0))


def drawn(part: str, rng: np.random.Generator) -> Motion:
    """Return one exposure's motion of a part of the simulation by itself, or of all together."""
    if part == "camera knock":
        return still_motion(ShutterKnock(1e-3))
    hands = {
        "hands sway": replace(NOTHING, sway_rad_per_s=13e-3),
        "hands shake": replace(NOTHING, shake_rad=1e-3),
        "hands tremor": replace(NOTHING, tremor_rad=1e-3),
        "hands button": replace(NOTHING, jerk_rad=1e-3),
        "hands stabilised": Hands(),
        "hands all": Hands(),
    }[part]
    return draw_motion(hands, 1, rng, stabiliser=Stabiliser() if part == "hands stabilised" else None)


def part_path(part: str, streak_px: float, along: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return (2, point) the path of a part at even times, turned by `along`, of this streak."""
    x, y = drawn(part, rng).angles_rad(np.linspace(0.0, EXPOSURE_S, 4001))[0]
    c, s = math.cos(along), math.sin(along)
    path = np.array([[c, -s], [s, c]]) @ np.array([x, y])
    return np.asarray(path * (streak_px / math.sqrt(12.0 * float(path.var(axis=1).sum()))))


def picture(path: NDArray[np.float64], sigma_px: float, rng: np.random.Generator) -> NDArray[np.float32]:
    """Return a frame without noise, the target a little elsewhere in it."""
    longest = float(np.ptp(path, axis=1).max())
    shift = (0.0, 0.0) if longest == 0.0 else tuple(rng.uniform(-0.05, 0.05, 2) * SHAPE[::-1])
    turn = 0.0 if longest == 0.0 else math.radians(rng.uniform(-1.0, 1.0))
    points = int(np.clip(10.0 * longest / sigma_px, 60, 300))
    made: NDArray[np.float32] = render(
        squares(), path, SHAPE, shift=shift, turn_rad=turn, sigma=sigma_px, points=points
    )
    return made


def profiles(frame: NDArray[np.float32], edges: list[EdgeCandidate]) -> list[EdgeProfile]:
    """Return the profiles of `edges` found again in a frame."""
    return edge_profiles(frame, MASK, CLEAR, follow_edges(frame, MASK, CLEAR, edges).candidates)


def measured(case: Case, paths: int, noises: int, seed: int = 1) -> list[tuple[float, Streak]]:
    """Return (true streak, what was found) of every frame of a row."""
    found = []
    rng = np.random.default_rng([seed, *case.name.encode()])
    first = picture(STILL, case.sigma_px, rng)
    turn = rng.uniform(0.0, math.pi)
    for number in range(paths):
        still = [noisy(first, case.snr, rng) for _ in range(case.tripods)]
        wide = widen_edges(still[0], MASK, find_edges(still[0], MASK, CLEAR).candidates)
        own = edge_profiles(still[0], MASK, CLEAR, wide)
        edges = [profile.candidate for profile in own]
        reference = reference_edges([own, *(profiles(frame, edges) for frame in still[1:])])
        along = turn + math.pi * number / paths if case.direction_deg is None else math.radians(case.direction_deg)
        of_part = case.kind in PARTS
        path = (part_path(case.kind, case.streak_px, along, rng) if of_part
                else motion_path(case.kind, case.streak_px, along))  # fmt: skip
        truth = math.sqrt(12.0 * float(np.trace(np.cov(path, ddof=0))))
        moved = picture(path, case.sigma_px, rng)
        for _ in range(noises):
            found.append((truth, measure_streak(profiles(noisy(moved, case.snr, rng), edges), reference)))
    return found


def row(case: Case, found: list[tuple[float, Streak]]) -> tuple[list[str], bool]:
    """Return the printed row, and whether something in it is amiss."""
    known = [(truth, streak) for truth, streak in found if streak.censored is None and math.isfinite(streak.streak_px)]
    censored = len(found) - len(known)
    if not known:
        return [case.name, *["-"] * 6, str(censored)], True
    error = np.array([streak.streak_px - truth for truth, streak in known])
    score = error / np.array([streak.streak_px_stderr for _, streak in known])
    worst = float(np.abs(error).max()) / case.allowed_px
    outside = int(np.sum(np.abs(error) > case.allowed_px))
    numbers = [
        f"{error.mean():+.3f}",
        f"{error.std():.3f}",
        f"{score.mean():+.2f}",
        f"{score.std():.2f}",
        f"{worst:.2f}",
        str(outside),
        str(censored),
    ]
    return [case.name, *numbers], outside > 0 or censored > 0


def main() -> None:
    """Run the bench and print its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", default="", help="only rows whose name contains this")
    parser.add_argument("--paths", type=int, default=3)
    parser.add_argument("--noise", type=int, default=4)
    asked = parser.parse_args()
    names = ("bias, px", "scatter, px", "mean e/s", "sd e/s", "worst / allowed", "outside", "censored")
    print(f"{'row':58}" + "".join(f"{name:>17}" for name in names))
    amiss = 0
    for case in cases():
        if asked.only in case.name:
            cells, bad = row(case, measured(case, asked.paths, asked.noise))
            print(f"{cells[0]:58}" + "".join(f"{cell:>17}" for cell in cells[1:]) + ("  <" if bad else ""), flush=True)
            amiss += bad
    print(f"{amiss} rows with frames outside or censored")


if __name__ == "__main__":
    main()
