"""How many frames a 0.25-stop limit takes: the fixed ladder against what `blur.next` asks for.

    python bench/next_shots.py [--people N] [--width STOPS] [--keep SHARE] [--most N]

People are those of `tests/fit/shaken_people.py`: streaks from integrated motion paths, four kinds of hands, each
person with a shakiness of their own. Both ways start with the same two rounds of the protocol's ladder. Then the one
goes on with whole rounds of the ladder, the other shoots batches of what `next_shots` asks for; each stops when the
95 % interval of the limit is no wider than wanted. Printed: frames, and how far the limits are from the truth.
"""

from __future__ import annotations

import argparse
import math
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

_TESTS = Path(__file__).resolve().parents[1] / "tests"
sys.path[:0] = [str(_TESTS / "fit")]

from shaken_people import (  # type: ignore[import-not-found]  # noqa: E402
    KINDS,
    LADDER,
    STREAK_LIMIT_PX,
    ShakenSeries,
    shoot,
    true_limit_s,
)

from kitgauge.fit.blur.blur_next import next_shots  # noqa: E402
from kitgauge.fit.blur.blur_shutter import ShutterLimit  # noqa: E402

FIRST_ROUNDS = 2


@dataclass(frozen=True)
class Ended:
    """Frames it took, and how far the limit then was from the truth [stops]; `covers`: the truth in the interval."""

    frames: int
    reached: bool
    error_stops: float
    covers: bool


def _width(found: ShutterLimit) -> float:
    width = math.log2(found.ci_high_s / found.ci_low_s)
    return width if math.isfinite(width) else math.inf


def _batch(frames: int, width: float, wanted: float) -> int:
    """Return how many frames to add: over half of what the width still asks for, at least one round of the ladder.

    The interval shrinks about with the root of the frames.
    """
    missing = frames * min((width / wanted) ** 2 - 1.0, 1.5)
    return max(int(LADDER.size), round(0.6 * missing))


def _ended(series: ShakenSeries, found: ShutterLimit, truth: float, wanted: float) -> Ended:
    covers = not (found.ci_low_s > truth or found.ci_high_s < truth)
    return Ended(series.true_px.size, _width(found) <= wanted, math.log2(found.shutter_s / truth), covers)


def fixed(rng: np.random.Generator, kind: int, scale: float, start: ShakenSeries, keep: float, wanted: float,
          most: int, truth: float) -> Ended:  # fmt: skip
    """Return how whole rounds of the ladder get there."""
    series = start
    while True:
        found = series.fit().limit(keep, STREAK_LIMIT_PX)
        if _width(found) <= wanted or series.true_px.size >= most:
            return _ended(series, found, truth, wanted)
        rounds = _batch(series.true_px.size, _width(found), wanted) // LADDER.size
        series = series.joined(shoot(rng, kind, scale, np.repeat(LADDER, rounds)))


def advised(rng: np.random.Generator, kind: int, scale: float, start: ShakenSeries, keep: float, wanted: float,
            most: int, truth: float) -> Ended:  # fmt: skip
    """Return how batches of what `next_shots` asks for get there."""
    series = start
    while True:
        fit = series.fit()
        found = fit.limit(keep, STREAK_LIMIT_PX)
        if _width(found) <= wanted or series.true_px.size >= most:
            return _ended(series, found, truth, wanted)
        batch = _batch(series.true_px.size, _width(found), wanted)
        asked = next_shots(fit, keep, STREAK_LIMIT_PX, wanted_stops=wanted * 0.8, most_frames=batch)
        times = np.array([time for time, count in asked.shots for _ in range(count)])
        if not times.size:
            times = LADDER
        series = series.joined(shoot(rng, kind, scale, times))


def compare(people: int, keep: float, wanted: float, most: int, seed: int = 5) -> list[tuple[Ended, Ended]]:
    """Return how both ways end for each person."""
    rng = np.random.default_rng(seed)
    found = []
    for number in range(people):
        kind, scale = number % len(KINDS), float(np.exp(0.35 * rng.standard_normal()))
        start = shoot(rng, kind, scale, np.repeat(LADDER, FIRST_ROUNDS))
        truth = true_limit_s(kind, scale, keep, STREAK_LIMIT_PX, paths=4_000)
        found.append(
            (
                fixed(rng, kind, scale, start, keep, wanted, most, truth),
                advised(rng, kind, scale, start, keep, wanted, most, truth),
            )
        )
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--people", type=int, default=100)
    parser.add_argument("--width", type=float, default=0.25, help="of the whole 95 %% interval [stops]")
    parser.add_argument("--keep", type=float, default=0.8)
    parser.add_argument("--most", type=int, default=700, help="frames after which to give up")
    given = parser.parse_args()
    pairs = compare(given.people, given.keep, given.width, given.most)
    columns = ("way", "frames, mean", "median", "10 %", "90 %", "reached", "rms error", "median error", "covered")
    table = Table(*columns, title=f"{given.people} people, keep {given.keep:g}, interval of {given.width:g} stops")
    for name, place in (("fixed ladder", 0), ("blur.next", 1)):
        ends = [pair[place] for pair in pairs]
        frames, errors = np.array([(end.frames, end.error_stops) for end in ends]).T
        low, middle, high = np.quantile(frames, [0.1, 0.5, 0.9])
        table.add_row(
            name, f"{frames.mean():.0f}", f"{middle:.0f}", f"{low:.0f}", f"{high:.0f}",
            f"{sum(end.reached for end in ends)}", f"{math.sqrt(np.mean(errors**2)):.3f}", f"{np.median(errors):+.3f}",
            f"{np.mean([end.covers for end in ends]):.2f}",
        )  # fmt: skip
    console = Console(width=120)
    console.print(table)
    fewer = 1.0 - sum(b.frames for _, b in pairs) / sum(a.frames for a, _ in pairs)
    each = np.median([b.frames / a.frames for a, b in pairs])
    console.print(f"Fewer frames: {100 * fewer:.0f} % in all, {100 * (1 - each):.0f} % for the median person.")


if __name__ == "__main__":
    main()
