"""One edge on the reduced image: a strip straightened along it tells its course, its ends, and its free ground."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.edge_ground import NoiseFloor, Stray, stray_of, texture_beside

Image = NDArray[np.float32]
Array = NDArray[np.float64]

REACH_PX = 48.0  # how far beside an edge the ground is looked at, in full-size pixels
_ACROSS_STEP = 0.5  # sampling across the edge, in reduced pixels
_ROWS = 80.0
_LEVEL_TOLERANCE = 0.2  # a row belongs to the edge while its two levels stay within this share of the contrast
_HALO_PX = 14.0  # how far a line along the edge may reach that sharpening has left, in reduced pixels
_SMALLEST_HALO = 0.03  # of the rise: less does not move a level
_STANDS_OUT = 6.0  # by so many standard deviations of the ground: even light that falls off steadily has under 5
_CLEAR_TOLERANCE = 0.06  # mean deviation from the plateau that counts as another structure, share of the contrast


@dataclass(frozen=True)
class StripEdge:
    """An edge as seen on the reduced image, lengths in reduced pixels, (x, y) with pixel centres at integers.

    (`x`, `y`) is a point on the edge, (`along_x`, `along_y`) its direction with the bright side at
    (-along_y, along_x). The edge runs from `start` to `stop` along it; `bow` is its greatest distance from straight and
    `stray` how its course strays from a parabola. `rise` is the 10 to 90 % distance.
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
    stray: Stray
    free_dark: float
    free_bright: float
    texture: float  # of the ground on the rougher side, share of the contrast, beyond noise

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
    slope = np.empty_like(profile)
    slope[1:-1] = 0.5 * (profile[2:] - profile[:-2])
    slope[0], slope[-1] = profile[1] - profile[0], profile[-1] - profile[-2]
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
    left = _past_halo(profile, slope, left, -1, peak)
    right = _past_halo(profile, slope, right, 1, peak)
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


def _past_halo(profile: Array, slope: Array, at: int, step: int, peak: int) -> int:
    """Return where the ground begins beyond a line along the edge, as sharpening leaves one; `at` where there is none.

    Outward from the edge (`step` -1 or 1) such a line turns back from its extreme at `at` and settles: the slope is
    negative on either side of a rising edge, then none. It must stand out from what the ground beyond does by itself
    (noise, light that falls off).
    """
    slack, longest = 0.012 * slope[peak], round(_HALO_PX / _ACROSS_STEP)
    last, place = at, at
    while 0 < place < profile.size - 1 and abs(place - at) < longest and abs(place - last) < longest // 3:
        if slope[place] < -slack:
            last = place
        place += step
    end = last + step
    ground = profile[max(end - longest, 0) : end + 1] if step < 0 else profile[end : end + longest + 1]
    if ground.size <= longest // 3:
        return at
    fall = (profile[at] - profile[last]) * step
    # light that falls off goes on falling beyond; a line does not
    outward = ground if step > 0 else ground[::-1]
    half = outward.size // 2
    going_on = float(outward[:half].mean() - outward[-half:].mean()) * step / (outward.size - half)
    fall -= max(going_on, 0.0) * abs(last - at)
    # the second difference of samples a pixel apart holds sqrt(6) of their noise; its median size is 0.67 of that
    noise = float(np.median(np.abs(profile[4:] - 2.0 * profile[2:-2] + profile[:-4]))) / (0.67 * math.sqrt(6.0))
    least = max(
        _SMALLEST_HALO * abs(profile[at] - profile[peak]),
        _STANDS_OUT * float(np.std(ground)),
        1.5 * _STANDS_OUT * noise,
    )
    return end if fall > least else at


def follow_edge(
    image: Image, x0: float, y0: float, x1: float, y1: float, reach: float, noise: NoiseFloor, extend: bool = True
) -> StripEdge | None:
    """Return the edge along the segment (x0, y0)-(x1, y1) of `image`, None where there is none.

    `reach` is how far beside the edge to look, in pixels of `image`, `noise` that of one of its pixels. The segment
    may be a fragment of the edge and lie a few pixels off: the edge is followed beyond both ends while its levels last.
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
        margin = 4.0 + 0.3 * (stop - start) if extend else 0.0
        # so many rows tell the course of a long edge
        along = np.arange(math.floor(start - margin), stop + margin + 1.0, max(1.0, (stop - start) / _ROWS))
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
            if beyond.mean() < before.mean():  # seen from the other side: bright must be ahead
                along_x, along_y, start, stop = -along_x, -along_y, -stop, -start
                along, strip, profile, seen = -along[::-1], strip[::-1, ::-1], profile[::-1], seen[::-1]
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
        if settled and not (grew and extend):
            break
    if found is None:
        return None
    return _judge(image, noise, x, y, along_x, along_y, start, stop, across, *found)


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
    # two or three columns of size one: the normal equations lose nothing that matters here
    normal = design.T @ design + 1e-9 * x.size * np.eye(degree + 1)
    solution = np.linalg.solve(normal, design.T @ y)
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
    noise: NoiseFloor,
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
    """Measure bow, course, free ground and texture of an edge whose line and ends are known."""
    trim = min(transition + 1.0, 0.3 * (stop - start))
    first, last = start + trim, stop - trim
    along = np.arange(first, last + 0.5, max(1.0, (last - first) / _ROWS))
    if along.size < 4:
        return None
    strip = straighten(image, x, y, along_x, along_y, along, across)
    course = _course(strip, across, dark, bright, 0.0, transition)
    if course.valid.sum() < 4:
        return None
    seen, place = along[course.valid], course.place[course.valid]
    bend = _polynomial(seen, place, 2)
    bow = abs(float(bend[2])) * (0.5 * float(along[-1] - along[0])) ** 2
    contrast = bright - dark
    free: list[float] = []
    texture = 0.0
    for sign, level in ((-1.0, dark), (1.0, bright)):
        beside = sign * across
        order = np.argsort(beside)
        order = order[beside[order] >= transition]
        if order.size == 0:  # the rise fills the strip
            free.append(0.0)
            continue
        ground = strip[:, order]
        inside = np.isfinite(ground).mean(axis=0) > 0.98
        with np.errstate(invalid="ignore"):
            deviation = np.where(np.isfinite(ground), ground - level, 0.0)
        near = deviation[:, : max(4, order.size // 4)]
        spread = float(np.std(near - near.mean(axis=0)))
        mean = deviation.mean(axis=0)
        # neighbours of the same brightness on average still show as rows that stray
        rough = np.asarray(cv2.blur(deviation, (3, 5)), dtype=np.float64)
        stray = (np.abs(rough) > max(0.15 * contrast, 2.5 * spread)).mean(axis=0)
        # the level itself comes from a few columns as noisy as these
        allowed = _CLEAR_TOLERANCE * contrast + 0.02 * abs(level) + 3.0 * spread / math.sqrt(along.size)
        clear = inside & (np.abs(mean) < allowed) & (stray < 0.03)
        blocked = np.flatnonzero(~clear)
        if blocked.size == 0:
            free.append(float(beside[order[-1]]))
        else:
            free.append(float(beside[order[blocked[0]]]) - 1.0)
        rough_ground = texture_beside(_full_rows(ground[:, beside[order] <= free[-1]][:, ::2]), noise.variance(level))
        texture = texture if math.isnan(rough_ground) else max(texture, rough_ground)
    return StripEdge(
        x=float(x),
        y=float(y),
        along_x=float(along_x),
        along_y=float(along_y),
        start=float(first),
        stop=float(last),
        dark=float(dark),
        bright=float(bright),
        rise=float(rise),
        bow=bow,
        stray=_stray(strip, across, dark, contrast, transition, noise),
        free_dark=free[0],
        free_bright=free[1],
        texture=texture / contrast,
    )


def _full_rows(ground: Array) -> Array:
    """Return the rows that lie wholly in the frame."""
    return np.asarray(ground[np.isfinite(ground).all(axis=1)])


def _stray(strip: Array, across: Array, dark: float, contrast: float, transition: float, noise: NoiseFloor) -> Stray:
    """Return by how much the course strays beyond noise, from single rows (`_course` smooths over them)."""
    window = np.abs(across) <= transition + 1.0
    share = (strip[:, window] - dark) / contrast
    place = -np.clip(share, -0.5, 1.5).sum(axis=1) * (across[1] - across[0])
    # a row's place is a sum over the window: so many samples of noise
    variance = 2.0 * (transition + 1.0) * noise.variance(dark + 0.5 * contrast) / contrast**2
    return stray_of(place[np.isfinite(place)], variance)
