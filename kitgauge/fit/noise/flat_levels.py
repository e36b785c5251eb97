"""Levels of the single flats behind the pairs, by shutter time and f-number."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from kitgauge.exposure import exact_f_number, exact_shutter_s
from kitgauge.flags import rejects
from kitgauge.measure.noise.noise_points import PlanePairs


@dataclass(frozen=True)
class FlatLevels:
    """The flats of one shutter time and f-number (as marked): mean level above black [DN] of each frame, planes of one
    colour averaged."""

    shutter_s: float
    f_number: float
    levels_dn: tuple[float, ...]

    @property
    def exposure_s(self) -> float:
        """The labelled exposure t / N^2 of exact settings: seconds at f/1."""
        return exact_shutter_s(self.shutter_s) / exact_f_number(self.f_number) ** 2

    @property
    def mean_dn(self) -> float:
        """The mean level above black [DN]."""
        return float(np.mean(self.levels_dn))


def colours(planes: Sequence[PlanePairs]) -> dict[str, list[PlanePairs]]:
    """Return the planes by colour, both greens under "G"."""
    out: dict[str, list[PlanePairs]] = {}
    for plane in planes:
        out.setdefault("G" if plane.colour in ("G1", "G2") else plane.colour, []).append(plane)
    return out


def flat_levels(planes: Sequence[PlanePairs]) -> list[FlatLevels]:
    """Return the flats of one colour by setting, least exposure first; those with a rejecting flag or without shutter
    time or f-number are left out.

    Planes are averaged frame by frame; only those that have the most frames count, so that a frame that serves in
    one plane alone does not shift the mean.
    """
    tables = [_of_plane(plane) for plane in planes]
    most = max((_frames(table) for table in tables), default=0)
    full = [table for table in tables if _frames(table) == most and most > 0]
    full = [table for table in full if {k: len(v) for k, v in table.items()} == {k: len(v) for k, v in full[0].items()}]
    if not full:
        return []
    out = [
        FlatLevels(shutter, f_number, tuple(np.mean([table[shutter, f_number] for table in full], axis=0).tolist()))
        for shutter, f_number in full[0]
    ]
    return sorted(out, key=lambda one: one.exposure_s)


def _frames(table: Mapping[tuple[float, float], Sequence[float]]) -> int:
    return sum(map(len, table.values()))


def _of_plane(plane: PlanePairs) -> dict[tuple[float, float], list[float]]:
    """Return the levels of each frame by setting.

    Frame k + 1 of a setting is `a` of the difference against the k before it; the first one is the reference of the
    first difference: level over ratio.
    """
    levels: dict[tuple[float, float], list[float]] = {}
    for flat, (shutter, f_number) in zip(plane.flats, plane.flat_settings, strict=False):
        if rejects(flat.flags) or not (shutter > 0 and f_number > 0):
            continue
        level = flat.signal_dn + (0.0 if plane.black_dn is None else flat.black_dn - plane.black_dn)
        if not (level > 0 and flat.ratio > 0):
            continue
        found = levels.setdefault((shutter, f_number), [])
        if flat.reference_frames == 1:
            found.append(level / flat.ratio)
        found.append(level)
    return levels


def light_scatter(settings: Sequence[Sequence[float]]) -> tuple[float, int]:
    """Return the standard deviation of log level (natural) among frames of one setting, pooled, and its degrees of
    freedom; NaN and 0 where no setting has two frames."""
    squares, freedom = 0.0, 0
    for levels in settings:
        logs = np.log(np.asarray(levels))
        if logs.size > 1:
            squares += float(((logs - logs.mean()) ** 2).sum())
            freedom += logs.size - 1
    return (math.sqrt(squares / freedom), freedom) if freedom else (math.nan, 0)
