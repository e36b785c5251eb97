"""Which runs may stand side by side, and what they are called by what differs between them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from kitgauge.errors import UsageError
from kitgauge.limits.run_limits import BlurRun

_SAME_SHARE = 0.01  # streak limits that differ by less, as a share of the diagonal, are one criterion


def require_comparable(runs: Sequence[BlurRun]) -> None:
    """Raise UsageError where runs measured different things, were judged differently or share handheld frames."""
    first = runs[0]
    for run in runs[1:]:
        if run.subject != first.subject:
            raise _refused("hands and moving subjects cannot be compared", run, _held(run), _held(first))
        if run.developed != first.developed:
            kinds = {True: "developed pictures", False: "raw frames"}
            raise _refused(
                "raw frames and developed pictures cannot be compared",
                run, kinds[run.developed], kinds[first.developed],
            )  # fmt: skip
        same = abs(run.streak_share / first.streak_share - 1.0) < _SAME_SHARE
        if not same or abs(run.keep - first.keep) > 1e-9:
            raise UsageError(
                "runs judged by different criteria cannot be compared",
                where=run.folder,
                got=_criterion_words(run),
                needed=f"{_criterion_words(first)}, as {first.name} has",
                fix="judge all by one: --criterion keep=0.8, and --criterion streak_um_35mm=28.8 or streak_px=...",
            )
    for k, run in enumerate(runs):
        for other in runs[:k]:
            if run.moving & other.moving or run.folder.resolve() == other.folder.resolve():
                raise _refused(
                    "two of the runs hold the same frames", run, f"frames of {other.name}", "runs of their own"
                )


def _refused(what: str, run: BlurRun, got: str, needed: str) -> UsageError:
    return UsageError(what, where=run.folder, got=got, needed=needed, fix="leave it out")


def _held(run: BlurRun) -> str:
    return "a moving subject" if run.subject else "handheld frames"


def _criterion_words(run: BlurRun) -> str:
    return f"keep {run.keep:g}, streak of at most the diagonal / {1.0 / run.streak_share:.0f} ({run.streak_px:.3g} px)"


def labels_of(runs: Sequence[BlurRun]) -> list[str]:
    """Return how to name each run: its technique, and of kit and focal length what differs among the runs."""
    focals = {round(run.focal_mm, 1) for run in runs if math.isfinite(run.focal_mm)}
    differing = [set(words) for words in zip(*(run.kit_words for run in runs), strict=True)]
    labels = []
    for run in runs:
        parts = [run.technique or "way of holding not told"]
        parts += [word for word, words in zip(run.kit_words, differing, strict=True) if len(words) > 1]
        if len(focals) > 1 and math.isfinite(run.focal_mm):
            parts.append(f"{run.focal_mm:g} mm")
        labels.append(", ".join(parts))
    return labels
