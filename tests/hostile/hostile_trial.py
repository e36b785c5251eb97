"""Cases one after the other, in a process that may break: what came of each, as plain values."""

from __future__ import annotations

import os
import resource
import time
import traceback
from pathlib import Path

from hostile_cases import HostileError, run_case

from kitgauge.frames.readable import check_readable

# number of the case, outcome, what was wrong, (seconds, megabytes more at the peak, seconds of processor time)
Result = tuple[int, str, str, tuple[float, float, float]]


def tried(folder: Path, seed: int, numbers: list[int]) -> list[Result]:
    """Return (number, outcome, text) of some cases; a fault is the outcome "FAILED" with what was raised."""
    results = []
    for number in numbers:
        before, begun, used = _peak_mb(), time.monotonic(), time.process_time()
        marker = folder / "cases" / str(number)
        marker.parent.mkdir(exist_ok=True)
        marker.write_text("x")
        check_readable(marker)  # tells the pool which case it is, should it break
        try:
            case = run_case(folder / "sources", folder / f"work-{os.getpid()}", seed, number)
            outcome, text = f"{case.kind}: {case.outcome}", ""
        except HostileError as error:
            outcome, text = "FAILED", " ".join(str(error)[:300].split())
        except MemoryError:
            outcome, text = "FAILED", "out of memory"
        except Exception as error:
            place = traceback.extract_tb(error.__traceback__)[-1]
            outcome = "FAILED"
            text = f"{type(error).__name__}: {str(error)[:200]} at {Path(place.filename).name}:{place.lineno}"
        marker.unlink()
        took, grown = time.monotonic() - begun, _peak_mb() - before
        results.append((number, outcome, text, (took, grown, time.process_time() - used)))
    return results


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
