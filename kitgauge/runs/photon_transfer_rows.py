"""The rows of a photon-transfer plot as a run writes them: of settings with many pairs their mean, and all in a file.

A mark for each of thousands of pairs of one level would be a blot, and as many rows of curves.json more than anybody
reads: beyond `MOST_ROWS` of one kind (flats or darks of one colour at one ISO value), rows of one level are averaged.
The rows behind them are then columns of a file of arrays.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

import numpy as np

from kitgauge.measure.noise.noise_points import PlanePairs
from kitgauge.measure.noise.transfer_rows import photon_transfer_rows

PAIRS_FILE = "photon_transfer.npz"
MOST_ROWS = 64
_SAME_LEVEL = 1.1  # factor: pairs within it are of one level
_NUMBERS = ("iso", "level_dn", "variance_dn2", "variance_stderr_dn2")
_WORDS = ("channel", "kind", "reason")


@dataclass
class _Columns:
    """Rows, column by column; words by their number."""

    numbers: dict[str, array[float]] = field(default_factory=lambda: {name: array("d") for name in _NUMBERS})
    words: dict[str, array[int]] = field(default_factory=lambda: {name: array("i") for name in _WORDS})
    used: array[int] = field(default_factory=lambda: array("b"))
    different: dict[str, int] = field(default_factory=dict)

    def append(self, row: Mapping[str, Any]) -> None:
        for name, column in self.numbers.items():
            column.append(row[name])
        for name, places in self.words.items():
            places.append(self.different.setdefault(row[name], len(self.different)))
        self.used.append(row["used"])

    def arrays(self) -> dict[str, Any]:
        """Return the columns as NumPy's arrays."""
        words = np.array(list(self.different))
        return {
            **{name: np.array(column) for name, column in self.numbers.items()},
            "used": np.array(self.used, dtype=bool),
            **{name: np.array(places) for name, places in self.words.items()},
            "words": words,  # what the numbers of `channel`, `kind` and `reason` stand for
        }


@dataclass(frozen=True)
class PhotonTransfer:
    """Rows for curves.json, and the columns of all pairs where some of those rows are means."""

    rows: tuple[dict[str, Any], ...]
    pairs: dict[str, Any]

    def as_curves(self) -> dict[str, Any]:
        """Return what stands below `noise` in curves.json."""
        return {"photon_transfer": list(self.rows), "photon_transfer_file": PAIRS_FILE if self.pairs else None}

    def files(self) -> dict[str, dict[str, Any]]:
        """Return the file of arrays of a run, none where every pair has its row."""
        return {PAIRS_FILE: self.pairs} if self.pairs else {}


def photon_transfer(planes: Mapping[float, Sequence[PlanePairs]]) -> PhotonTransfer:
    """Return the rows of all ISO values (`transfer_rows.photon_transfer_rows`)."""
    rows: list[dict[str, Any]] = []
    columns = _Columns()
    averaged = False
    for iso, pairs in planes.items():
        found = photon_transfer_rows(iso, pairs)
        for row in found:
            columns.append(row)
        for _, alike in groupby(found, key=lambda row: (row["channel"], row["kind"])):
            kind = list(alike)
            averaged = averaged or len(kind) > MOST_ROWS
            rows += kind if len(kind) <= MOST_ROWS else list(_averaged(kind))
    return PhotonTransfer(tuple(rows), columns.arrays() if averaged else {})


def _averaged(rows: Sequence[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    """Yield one row for those of one level and state; `pairs` tells of how many it is the mean."""
    by_state: dict[tuple[bool, str], list[dict[str, Any]]] = {}
    for row in rows:
        by_state.setdefault((row["used"], row["reason"]), []).append(row)
    for alike in by_state.values():
        level: list[dict[str, Any]] = []
        for row in sorted(alike, key=lambda row: row["level_dn"]):
            if level and row["level_dn"] > _SAME_LEVEL * level[0]["level_dn"]:
                yield _mean(level)
                level = []
            level.append(row)
        yield _mean(level)


def _mean(rows: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Return the mean of rows that have nothing in common but what they measure."""
    errors = np.array([row["variance_stderr_dn2"] for row in rows])
    return {
        **rows[0],
        "level_dn": float(np.mean([row["level_dn"] for row in rows])),
        "variance_dn2": float(np.mean([row["variance_dn2"] for row in rows])),
        "variance_stderr_dn2": float(np.sqrt(np.sum(errors**2))) / len(rows),
        "pairs": len(rows),
    }
