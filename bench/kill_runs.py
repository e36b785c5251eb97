"""`kill -9` at random moments of a run: what is left behind, and what the next run makes of it.

    python bench/kill_runs.py [--times 200] [--seed 1]

Each time a run of tiny simulated frames (noise ladder, new results folder, empty cache) is killed at a random moment of
its length. Then no process of it may be left, every file in results and cache must be whole, and the same command must
end with the results of an undisturbed run, byte for byte but for times and durations. Exit code 1 if anything fails.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "hostile"))

from hostile_sources import make_noise_series  # type: ignore[import-not-found]
from killed_runs import BehindError, kill_one, run_again, undisturbed  # type: ignore[import-not-found]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    draw = random.Random(asked.seed)
    failed = 0
    with tempfile.TemporaryDirectory() as folder:
        frames, place = Path(folder) / "frames", Path(folder) / "place"
        make_noise_series(frames)
        expected, takes_s = undisturbed(frames, place)
        print(f"an undisturbed run takes {takes_s:.2f} s")
        for number in range(1, asked.times + 1):
            try:
                told = kill_one(frames, place, takes_s, draw)
                run_again(frames, place, expected)
            except BehindError as error:
                failed += 1
                told = f"FAILED: {error}"
            print(f"{number}: {told}", flush=True)
    print(f"{asked.times} kills, {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
