"""One edge on the reduced image: a strip straightened along it tells its course, its ends, and its free ground."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]
Array = NDArray[np.float64]

REACH_PX = 48.0  # how far beside an edge the ground is looked at, in full-size pixels
_ACROSS_STEP = 0.5  # sampling across the edge, in reduced pixels
_LEVEL_TOLERANCE = 0.2  # a row belongs to the edge while its two levels stay within this share of the contrast
_CLEAR_TOLERANCE = 0.06  # mean deviation from the plateau that counts as another structure, share of the contrast


@dataclass(frozen=True)
class StripEdge:
    """An edge as seen on the reduced image, lengths in reduced pixels, (x, y) with pixel centres at integers.

    (`x`, `y`) is a point on the edge, (`along_x`, `along_y`) its direction with the bright side at
    (-along_y, along_x). The edge runs from `start` to `stop` along it; `bow` is its greatest distance from straight and
    `scatter` the standard deviation of its course around a parabola. `rise` is the 10 to 90 % distance.
    """

    x: float
    y: float
    along_x: float
    along_y: float
    start: float
    stop: float
    dark: float
    bright: float
    rise: float
    bow: float
    scatter: float
    free_dark: float
    free_bright: float
    noise: float

    def point(self, along: float, across: float = 0.0) -> tuple[float, float]:
        """Return (x, y) at a distance along the edge and across it (positive = bright side)."""
        return (
            self.x + along * self.along_x - across * self.along_y,
            self.y + along * self.along_y + across * self.along_x,
        )


def straighten(image: Image, x: float, y: float, along_x: float, along_y: float, along: Array, across: Array) -> Array:
    """Return (along, across) samples of `image` on the grid around (x, y); NaN outside the frame."""
    grid_x = x + along[:, None] * along_x - across[None, :] * along_y
    grid_y = y + along[:, None] * along_y + across[None, :] * along_x
    sampled = cv2.remap(
        image,
        grid_x.astype(np.float32),
        grid_y.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=math.nan,
    )
    return np.asarray(sampled, dtype=np.float64)


def _levels(profile: Array, across: Array) -> tuple[float, float, float, float, float] | None:
    """Return (dark, bright, half-level position, rise, transition half-width) of a profile rising to the right."""
    slope = np.gradient(profile, across)
    near = np.abs(across) <= max(0.25 * across[-1], 3.0)
    peak = int(np.argmax(np.where(near, slope, -np.inf)))
    steepest = slope[peak]
    if not steepest > 0:
        return None
    flat = slope < 0.08 * steepest
    left, right = peak, peak
    while left > 0 and not flat[left]:
        left -= 1
    while right < profile.size - 1 and not flat[right]:
        right += 1
    # a plateau that is not reached within the strip leaves the level unknown
    if not (flat[left] and flat[right]):
        return None
    width = 3
    dark = float(np.mean(profile[max(0, left - width) : left + 1]))
    bright = float(np.mean(profile[right : right + width + 1]))
    if not bright > dark:
        return None
    share = (profile[left : right + 1] - dark) / (bright - dark)
    place = across[left : right + 1]

    def crossing(level: float) -> float:
        above = int(np.argmax(share >= level))
        if above == 0:
            return float(place[0])
        part = (level - share[above - 1]) / (share[above] - share[above - 1])
        return float(place[above - 1] + part * (place[above] - place[above - 1]))

    half = crossing(0.5)
    return dark, bright, half, crossing(0.9) - crossing(0.1), max(half - across[left], across[right] - half)


def follow_edge(
    image: Image, x0: float, y0: float, x1: float, y1: float, reach: float, extend: bool = True
) -> StripEdge | None:
    """Return the edge along the segment (x0, y0)-(x1, y1) of `image`, None where there is none.

    `reach` is how far beside the edge to look, in pixels of `image`. The segment may be a fragment of the edge and lie
    a few pixels off: the edge is followed beyond both ends while both its levels last.
    """
    length = math.hypot(x1 - x0, y1 - y0)
    if length < 4:
        return None
    along_x, along_y = (x1 - x0) / length, (y1 - y0) / length
    x, y = 0.5 * (x0 + x1), 0.5 * (y0 + y1)
    start, stop = -0.5 * length, 0.5 * length
    across = np.arange(-reach, reach + 0.25, _ACROSS_STEP)
    found: tuple[float, ...] | None = None
    for attempt in range(6):
        margin = 0.0 if attempt == 0 or not extend else 4.0 + 0.5 * (stop - start)
        # a hundred rows tell the course of a long edge
        along = np.arange(math.floor(start - margin), stop + margin + 1.0, max(1.0, (stop - start) / 100.0))
        strip = straighten(image, x, y, along_x, along_y, along, across)
        inner = (along >= start) & (along <= stop)
        if inner.sum() < 4:
            return None
        profile = _median_rows(strip[inner])
        seen = np.isfinite(profile)
        if seen.sum() < 8:
            return None
        if attempt == 0:
            centre = across.size // 2
            third = max(2, round(3.0 / _ACROSS_STEP))
            beyond, before = profile[centre + 1 : centre + third + 1], profile[centre - third : centre]
            if not (np.isfinite(beyond).all() and np.isfinite(before).all()):
                return None
            if beyond.mean() < before.mean():
                along_x, along_y, start, stop = -along_x, -along_y, -stop, -start
                continue
        levels = _levels(profile[seen], across[seen])
        if levels is None:
            return None
        dark, bright, half, rise_width, transition = levels
        course = _course(strip, across, dark, bright, half, transition)
        run = _longest_run(course.valid, along, 0.5 * (start + stop))
        if run is None:
            return None
        first, last = run
        usable = course.valid & (along >= first) & (along <= last)
        if usable.sum() < 4:
            return None
        constant, tilt = _polynomial(along[usable], course.place[usable], 1)
        middle = 0.5 * (first + last)
        shift = constant + tilt * middle
        # turn and move the frame of reference onto the edge
        x, y = (
            x + middle * along_x - shift * along_y,
            y + middle * along_y + shift * along_x,
        )
        turn = math.atan(tilt)
        along_x, along_y = (
            along_x * math.cos(turn) - along_y * math.sin(turn),
            along_y * math.cos(turn) + along_x * math.sin(turn),
        )
        start, stop = first - middle, last - middle
        found = (dark, bright, rise_width, transition)
        settled = abs(tilt) * (last - first) < 0.3 and abs(shift) < 0.3
        grew = last > along[-1] - 2 or first < along[0] + 2
        if attempt >= 2 and settled and not (grew and extend):
            break
    if found is None:
        return None
    return _judge(image, x, y, along_x, along_y, start, stop, across, *found)


@dataclass(frozen=True)
class _Course:
    place: Array
    valid: NDArray[np.bool_]


def _median_rows(strip: Array) -> Array:
    """Return the median over rows, NaN in columns that leave the frame."""
    full = np.isfinite(strip).all(axis=0)
    profile = np.full(strip.shape[1], np.nan)
    if full.any():
        profile[full] = np.median(strip[:, full], axis=0)
    return profile


def _smooth_rows(strip: Array, count: int) -> Array:
    """Return the running mean over `count` rows; NaN stays where it is and does not spread."""
    if count <= 1:
        return strip
    known = np.isfinite(strip)
    total = cv2.blur(np.where(known, strip, 0.0), (1, count), borderType=cv2.BORDER_REPLICATE)
    share = cv2.blur(known.astype(np.float64), (1, count), borderType=cv2.BORDER_REPLICATE)
    return np.where(known, total / np.maximum(share, 1e-9), np.nan)


def _polynomial(x: Array, y: Array, degree: int) -> Array:
    """Return the coefficients, constant first, of the least-squares polynomial through (x, y)."""
    scale = max(float(np.abs(x).max()), 1.0)
    design = np.vander(x / scale, degree + 1, increasing=True)
    solution = np.linalg.lstsq(design, y, rcond=None)[0]
    return np.asarray(solution / scale ** np.arange(degree + 1))


def _course(strip: Array, across: Array, dark: float, bright: float, half: float, transition: float) -> _Course:
    """Return, row by row, where the half-level is crossed and whether the row shows this edge."""
    smooth = max(1, min(7, strip.shape[0] // 6)) | 1
    rows = _smooth_rows(strip, smooth)
    step = across[1] - across[0]
    window = np.abs(across - half) <= transition + 2.0
    low = (across >= half - transition - 2.0) & (across <= half - transition)
    high = (across >= half + transition) & (across <= half + transition + 2.0)
    if not (window.any() and low.any() and high.any()):  # the strip ends within the rise
        nothing = np.zeros(strip.shape[0])
        return _Course(place=nothing, valid=nothing.astype(bool))
    share = (rows[:, window] - dark) / (bright - dark)
    # the area under the clipped rise gives the crossing without being misled by single noisy samples
    place = across[window][-1] + 0.5 * step - np.clip(share, -0.2, 1.2).sum(axis=1) * step
    dark_rows = rows[:, low].mean(axis=1)
    bright_rows = rows[:, high].mean(axis=1)
    contrast = bright - dark
    valid = (
        np.isfinite(place)
        & (np.abs(dark_rows - dark) < _LEVEL_TOLERANCE * contrast)
        & (np.abs(bright_rows - bright) < _LEVEL_TOLERANCE * contrast + 0.1 * (bright - contrast))
        & (np.abs(place - half) < transition + 2.0)
    )
    return _Course(place=place, valid=valid)


def _longest_run(valid: NDArray[np.bool_], along: Array, near: float) -> tuple[float, float] | None:
    """Return the ends of the longest run of valid rows; gaps of two rows are bridged."""
    closed = valid.copy()
    closed[1:-1] |= valid[:-2] & valid[2:]
    across_two = valid[:-3] & valid[3:]
    closed[1:-2] |= across_two
    closed[2:-1] |= across_two
    edges = np.flatnonzero(np.diff(np.concatenate([[False], closed, [False]]).astype(np.int8)))
    if edges.size == 0:
        return None
    starts, stops = edges[::2], edges[1::2] - 1
    holds = (along[starts] <= near) & (along[stops] >= near)
    best = int(np.argmax((stops - starts) * np.where(holds, 2, 1)))
    return float(along[starts[best]]), float(along[stops[best]])


def _judge(
    image: Image,
    x: float,
    y: float,
    along_x: float,
    along_y: float,
    start: float,
    stop: float,
    across: Array,
    dark: float,
    bright: float,
    rise: float,
    transition: float,
) -> StripEdge | None:
    """Measure bow, scatter and free ground of an edge whose line and ends are known."""
    trim = min(transition + 1.0, 0.3 * (stop - start))
    first, last = start + trim, stop - trim
    along = np.arange(first, last + 0.5, max(1.0, (last - first) / 150.0))
    if along.size < 4:
        return None
    strip = straighten(image, x, y, along_x, along_y, along, across)
    course = _course(strip, across, dark, bright, 0.0, transition)
    if course.valid.sum() < 4:
        return None
    seen, place = along[course.valid], course.place[course.valid]
    bend = _polynomial(seen, place, 2)
    bow = abs(float(bend[2])) * (0.5 * float(along[-1] - along[0])) ** 2
    scatter = float(np.std(place - np.vander(seen, 3, increasing=True) @ bend))
    contrast = bright - dark
    free: list[float] = []
    noise = 0.0
    for sign, level in ((-1.0, dark), (1.0, bright)):
        beside = sign * across
        order = np.argsort(beside)
        order = order[beside[order] >= transition]
        ground = strip[:, order]
        inside = np.isfinite(ground).mean(axis=0) > 0.98
        with np.errstate(invalid="ignore"):
            deviation = np.where(np.isfinite(ground), ground - level, 0.0)
        near = deviation[:, : max(4, order.size // 4)]
        spread = float(np.std(near - near.mean(axis=0)))
        noise = max(noise, spread)
        mean = deviation.mean(axis=0)
        # neighbours of the same brightness on average still show as rows that stray
        rough = cv2.blur(deviation, (3, 5))
        stray = (np.abs(rough) > max(0.15 * contrast, 2.5 * spread)).mean(axis=0)
        clear = inside & (np.abs(mean) < _CLEAR_TOLERANCE * contrast + 0.02 * abs(level)) & (stray < 0.03)
        blocked = np.flatnonzero(~clear)
        if blocked.size == 0:
            free.append(float(beside[order[-1]]) if order.size else 0.0)
        else:
            free.append(float(beside[order[blocked[0]]]) - 1.0)
    return StripEdge(
        x=x,
        y=y,
        along_x=along_x,
        along_y=along_y,
        start=first,
        stop=last,
        dark=dark,
        bright=bright,
        rise=rise,
        bow=bow,
        scatter=scatter,
        free_dark=free[0],
        free_bright=free[1],
        noise=noise,
    )
