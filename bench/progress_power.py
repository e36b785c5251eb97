"""How often a comparison over months calls luck a change, and how often it finds a change of one stop.

    python bench/progress_power.py [--people N] [--tries N]

Errors of limits, and the intervals told with them, are those of fits to simulated series (`tests/fit/shaken_people.py`:
streaks from integrated motion paths, four kinds of hands, 10 frames at each speed). Each try draws a session's error
from these people, adds a scatter from day to day, and judges the sessions as `kitgauge compare` does: two of them by
their interval, three and more by the trend. A change of one stop is spread evenly over the sessions.
"""

from __future__ import annotations

import argparse
import math
import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table

_TESTS = Path(__file__).resolve().parents[1] / "tests"
sys.path[:0] = [str(_TESTS / "fit")]

from shaken_people import (  # type: ignore[import-not-found]  # noqa: E402
    KINDS,
    LADDER,
    STREAK_LIMIT_PX,
    shoot,
    true_limit_s,
)

from kitgauge.fit.blur.limit_sessions import fit_sessions  # noqa: E402
from kitgauge.limits.compare import SIGNIFICANT_P  # noqa: E402
from kitgauge.limits.compare_runs import difference_of_limits  # noqa: E402

FRAMES, KEEP, CHANGE_STOPS = 10, 0.8, 1.0
NORMAL_95 = 1.959964
Errors = NDArray[np.float64]


def limit_errors(people: int, seed: int) -> Errors:
    """Return (n, 3): the limit, and the ends of its interval, each less the true limit [stops]; closed ones only."""
    rng = np.random.default_rng(seed)
    found = []
    for number in range(people):
        kind, scale = number % len(KINDS), float(np.exp(0.35 * rng.standard_normal()))
        limit = shoot(rng, kind, scale, np.repeat(LADDER, FRAMES)).fit().limit(KEEP, STREAK_LIMIT_PX)
        true = true_limit_s(kind, scale, KEEP, STREAK_LIMIT_PX)
        found.append([math.log2(time / true) for time in (limit.shutter_s, limit.ci_low_s, limit.ci_high_s)])
    table = np.array(found)
    return np.asarray(table[np.all(np.isfinite(table), axis=1)], dtype=np.float64)


def claimed(errors: Errors, sessions: int, change: float, scatter: float, rng: np.random.Generator) -> bool:
    """Tell whether one try with so many sessions is called a real change."""
    drawn = errors[rng.integers(len(errors), size=sessions)]
    shift = np.linspace(0.0, change, sessions) + scatter * rng.standard_normal(sessions)
    limits = drawn + shift[:, None]
    if sessions == 2:
        first, last = (tuple(float(2.0**stops) for stops in limits[place]) for place in (0, 1))
        return difference_of_limits(last, first)[3] < SIGNIFICANT_P  # type: ignore[arg-type]
    stderr = (limits[:, 2] - limits[:, 1]) / (2.0 * NORMAL_95)
    fit = fit_sessions(list(limits[:, 0]), list(stderr), [[1.0, float(month)] for month in range(sessions)])
    return fit.effect([0.0, 1.0]).p < SIGNIFICANT_P


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--people", type=int, default=80)
    parser.add_argument("--tries", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    errors = limit_errors(asked.people, asked.seed)
    rng = np.random.default_rng(asked.seed + 1)
    table = Table("sessions", "scatter from day to day, stops", "no change: claimed", "one stop: found")
    for sessions in (2, 3, 4, 6, 8):
        for scatter in (0.0, 0.2):
            shares = [
                np.mean([claimed(errors, sessions, change, scatter, rng) for _ in range(asked.tries)])
                for change in (0.0, CHANGE_STOPS)
            ]
            table.add_row(str(sessions), f"{scatter:.1f}", *(f"{100.0 * share:.1f} %" for share in shares))
    console = Console()
    console.print(f"{len(errors)} of {asked.people} people with a closed interval; {asked.tries} tries each")
    console.print(table)


if __name__ == "__main__":
    main()
