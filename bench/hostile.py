"""Damaged and hostile files on the whole path: frames, settings, protocols, limits, results.

    python bench/hostile.py [--cases 20000] [--seed 1] [--from 0] [--workers 2] [--seconds 20] [--memory-mb 1500]
    python bench/hostile.py --seed 1 --case 1234

Case N of a seed is always the same: one sound file (simulated, or a real one where the folder `shared` lies beside the
project's) is damaged as `tests/hostile/hostile_mutations.py` says and used as `tests/hostile/hostile_cases.py` says. A
case fails where anything but an error of kitgauge's own comes out, where it takes too long or too much memory, where a
page holds markup of the file, or where numbers come out that can be told to be wrong. A frame on which a native library
breaks down is counted apart: it costs its worker process and nothing else. `--case` repeats one case here, with its
traceback. Exit code 1 if any case failed.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
import time
from collections import Counter, deque
from concurrent.futures import Future
from functools import partial
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
_HERE = [str(ROOT / "tests" / "hostile"), str(ROOT)]
sys.path[:0] = [part for part in _HERE if part not in sys.path]

from hostile_trial import Result, tried  # type: ignore[import-not-found] # noqa: E402

from kitgauge.ingest import worker_pool  # noqa: E402

_REPORT_EVERY_S = 30.0
_MOST_SHOWN = 25


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--from", type=int, default=0, dest="first", help="number of the first case")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seconds", type=float, default=20.0, help="time limit of a case")
    parser.add_argument("--memory-mb", type=int, default=1500, help="memory limit of a worker")
    parser.add_argument("--grown-mb", type=float, default=700.0, help="a case may raise the peak of its worker so far")
    parser.add_argument("--case", type=int, help="repeat this case alone, here")
    asked = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="hostile-"))
    os.environ["KITGAUGE_CACHE"] = str(folder / "cache")
    try:
        from hostile_sources import make_sources  # type: ignore[import-not-found]

        make_sources(folder / "sources")
        if asked.case is not None:
            from hostile_cases import run_case  # type: ignore[import-not-found]

            print(run_case(folder / "sources", folder / "work", asked.seed, asked.case))
            return 0
        return _all(asked, folder)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _all(asked: argparse.Namespace, folder: Path) -> int:
    worker_pool.SECONDS_PER_FILE = asked.seconds
    counts: Counter[str] = Counter()
    failed: list[tuple[int, str]] = []
    slowest, largest, processor_s = (0.0, -1), (0.0, -1), 0.0
    numbers = range(asked.first, asked.first + asked.cases)
    batches = deque([[*numbers[at : at + 20]] for at in range(0, len(numbers), 20)])
    begun = told = time.monotonic()
    with worker_pool.WorkerPool(asked.workers, (), memory_bytes=asked.memory_mb << 20) as pool:
        pending: deque[tuple[Future[list[Result]], list[int]]] = deque()
        while batches or pending:
            while batches and len(pending) < 2 * asked.workers:
                batch = batches.popleft()
                pending.append((pool.submit(partial(tried, folder, asked.seed, batch)), batch))
            future, batch = pending.popleft()
            try:
                results = future.result()
            except worker_pool.WorkerLostError as lost:
                # the file opened last tells the case: by its number, or as the only one in its work folder
                left = sorted(int(path.name) for path in (folder / "cases").iterdir() if int(path.name) in batch)
                (culprit,) = left
                (folder / "cases" / str(culprit)).unlink()
                from hostile_cases import kind_of

                contained = kind_of(asked.seed, culprit) == "frames" and "longer than" not in str(lost)
                outcome = "frames: broke its worker" if contained else "FAILED"
                results = [(culprit, outcome, str(lost), (0.0, 0.0, 0.0))]
                if contained:
                    print(f"case {culprit} broke its worker: {lost} ({lost.path})", flush=True)
                at = batch.index(culprit)
                for rest in (batch[:at], batch[at + 1 :]):  # those before were done, and are done again
                    if rest:
                        batches.appendleft(rest)
            for number, outcome, text, (took, grown, used) in results:
                processor_s += used
                counts[outcome] += 1
                if outcome == "FAILED":
                    failed.append((number, text))
                    if len(failed) <= _MOST_SHOWN:
                        print(f"case {number} FAILED: {text}", flush=True)
                slowest, largest = max(slowest, (took, number)), max(largest, (grown, number))
                if grown > asked.grown_mb:
                    failed.append((number, f"{grown:.0f} MB more memory"))
            if time.monotonic() - told > _REPORT_EVERY_S:
                told = time.monotonic()
                print(f"{sum(counts.values())} cases in {told - begun:.0f} s", flush=True)
    took_s = time.monotonic() - begun
    print(
        f"seed {asked.seed}, cases {numbers[0]} to {numbers[-1]}: {took_s:.0f} s, {processor_s:.0f} s of processor time"
    )
    for outcome, count in sorted(counts.items()):
        print(f"  {outcome:32} {count:6}")
    print(
        f"slowest case {slowest[0]:.1f} s (case {slowest[1]}), largest growth {largest[0]:.0f} MB (case {largest[1]})"
    )
    for number, text in failed:
        print(f"FAILED: python bench/hostile.py --seed {asked.seed} --case {number}   # {text}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
