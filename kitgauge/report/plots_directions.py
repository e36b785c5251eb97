"""The figure of directions: a small rose of the streaks of fast and of slow frames."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.patches import Circle, Wedge

from kitgauge.report import wording
from kitgauge.report.data import number, text
from kitgauge.report.style import GREY, GRID, LOOKS, Picture, picture

_SECTORS = 8  # of half a turn: a streak has no front
_CERTAIN_DEG = 15.0  # standard error above which a direction says little of its sector of 22.5 degrees
_FEWEST = 4  # frames of a rose
_HATCHES = (None, "////")
_SIZE_IN = (5.6, 2.9)
_MARGINS_IN = (0.05, 0.05, 0.05, 0.05)

Rows = Sequence[Mapping[str, Any]]


def direction_counts(directions_deg: Sequence[float]) -> list[int]:
    """Return how many of the directions [degrees, modulo 180] fall into each sector, the first centred on 0."""
    counts = [0] * _SECTORS
    for direction in directions_deg:
        counts[round(direction / (180.0 / _SECTORS)) % _SECTORS] += 1
    return counts


def directions_picture(frames: Rows) -> Picture | None:
    """Return the roses of the moving frames whose direction is known, None where there are too few.

    Fast frames are those at or under the median shutter time.
    """
    known = [frame for frame in frames if _is_known(frame)]
    groups = _halves(known)
    if not groups:
        return None
    counted = [(title, direction_counts([number(f.get("direction_deg")) for f in rows])) for title, rows in groups]

    def draw(axes: Axes) -> None:
        axes.set_axis_off()
        axes.set_aspect("equal")
        axes.set_xlim(-1.35 * len(counted), 1.35 * len(counted))
        axes.set_ylim(-1.5, 1.25)
        for k, (title, counts) in enumerate(counted):
            _draw_rose(axes, 2.7 * k - 1.35 * (len(counted) - 1), title, counts, k)

    level = sum(1 for frame in known if _between(number(frame.get("direction_deg")), 0.0))
    upright = sum(1 for frame in known if _between(number(frame.get("direction_deg")), 90.0))
    caption = (
        f"Which way the frames are blurred, as stored: {level} of {len(known)} within 22.5 degrees of level (turned "
        f"sideways), {upright} within 22.5 degrees of upright (it nodded). The area of a petal is its number of "
        "frames; the figure outside is that of the longest. A streak has no front, so each is drawn both ways. "
    )
    left_out = sum(1 for frame in frames if _counts(frame)) - len(known)
    if left_out > 0:
        caption += f"{wording.count(left_out, 'frame')} too sharp, too blurred or too round to tell are left out. "
    alt = "Chart: directions of streaks. " + "; ".join(
        f"{title}: " + ", ".join(f"{k * 180 // _SECTORS} to level {n}" for k, n in enumerate(counts) if n)
        for title, counts in counted
    )
    return picture("blur-directions", "Directions", caption, alt, draw, size_in=_SIZE_IN, margins_in=_MARGINS_IN)


def _counts(frame: Mapping[str, Any]) -> bool:
    return text(frame.get("role")) != "tripod" and not frame.get("excluded")


def _is_known(frame: Mapping[str, Any]) -> bool:
    error = number(frame.get("direction_deg_stderr"))
    known = math.isfinite(number(frame.get("direction_deg"))) and not error > _CERTAIN_DEG
    return _counts(frame) and known and not frame.get("censored")


def _between(direction: float, centre: float) -> bool:
    return abs((direction - centre + 90.0) % 180.0 - 90.0) <= 22.5


def _halves(known: Rows) -> list[tuple[str, Rows]]:
    """Return fast and slow frames with titles; all in one group where either would be too small."""
    if len(known) < _FEWEST:
        return []
    times = sorted(number(frame.get("shutter_s")) for frame in known)
    middle = times[(len(times) - 1) // 2]
    fast = [frame for frame in known if number(frame.get("shutter_s")) <= middle]
    slow = [frame for frame in known if number(frame.get("shutter_s")) > middle]
    if min(len(fast), len(slow)) < _FEWEST:
        return [(f"all {len(known)} frames", known)]
    return [
        (f"{wording.shutter(middle)} and faster: {wording.count(len(fast), 'frame')}", fast),
        (f"slower than {wording.shutter(middle)}: {wording.count(len(slow), 'frame')}", slow),
    ]


def _draw_rose(axes: Axes, x: float, title: str, counts: Sequence[int], k: int) -> None:
    most = max(counts)
    axes.add_patch(Circle((x, 0.0), 1.0, fill=False, edgecolor=GRID, linewidth=1.0, zorder=0.5))
    for end in ((1.0, 0.0), (0.0, 1.0)):
        axes.plot([x - end[0], x + end[0]], [-end[1], end[1]], color=GRID, linewidth=0.8, zorder=0.5)
    step = 180.0 / _SECTORS
    for sector, count in enumerate(counts):
        if not count:
            continue
        radius = math.sqrt(count / most)
        for turn in (0.0, 180.0):
            middle = turn - sector * step  # rows run down, so positive angles turn clockwise on the page
            axes.add_patch(
                Wedge(
                    (x, 0.0), radius, middle - 0.45 * step, middle + 0.45 * step, facecolor=LOOKS[k].colour, alpha=0.75,
                    edgecolor="white", linewidth=0.8, hatch=_HATCHES[k], zorder=2,
                )
            )  # fmt: skip
    longest = -counts.index(most) * step
    angle = math.radians(longest)
    axes.text(
        x + 1.14 * math.cos(angle), 1.14 * math.sin(angle), str(most), ha="center", va="center", fontsize=8.5,
        color=GREY,
    )  # fmt: skip
    axes.text(x, -1.3, title, ha="center", va="center", fontsize=9)
