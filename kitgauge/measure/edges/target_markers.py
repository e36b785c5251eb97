"""Find the target's coded markers in a picture: dark quadrilaterals whose pattern agrees with a code.

Markers are found where they are too blurred or too small for their bits to be read one by one: the tones of a
marker's 5 x 5 modules are compared, as a whole, with every code in four turns and three degrees of blur (normalised
correlation: the matched filter's decision for a pattern of unknown brightness and contrast, Duda and Hart, Pattern
Classification and Scene Analysis, section 8.3.1). Codes that differ in 5 or more of 25 bits correlate far less with one
another than a marker does with its own. Dark shapes come from a local threshold, so that light may fall off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kitgauge.target.layout import CODES, MARKER_BITS, MARKER_MODULES, marker_meaning

Floats = NDArray[np.float32]

SMALLEST_MARKER_PX = 9.0  # side in the picture; below, a module is smaller than 1.3 px
LEAST_AGREEMENT = 0.80
LEAST_LEAD = 0.12  # of the best code before the next: half a bit of 25
_DARKER_THAN_MEAN = 0.93  # square root of luminance, against its mean around
_WINDOW_PX = 61
_CELLS = MARKER_MODULES + 2  # with one module of white around
_BLUR_MODULES = (0.0, 0.5, 0.85)  # standard deviations
_MOST_SHAPES = 400
_MIDDLE_BLUR = 1
_LEAST_PATTERN = 12.0  # tones between the darkest and the brightest module


@dataclass(frozen=True)
class MarkerSeen:
    """One marker: the sheet, place in the lattice and digit that its code tells; corners (4, 2) x, y in the picture,
    clockwise from the marker's own top left; how well it agrees with its code (1 perfectly).
    """

    sheet: int
    position: int
    digit: int
    corners: NDArray[np.float64]
    agreement: float


def tones(picture: NDArray[np.uint8] | Floats) -> NDArray[np.uint8]:
    """Return (row, column) 8-bit tones, square root of luminance; an 8-bit picture is taken as it is."""
    if picture.dtype == np.uint8:
        return np.ascontiguousarray(picture, dtype=np.uint8)
    high = float(np.percentile(picture[::5, ::5], 99.5))
    if not high > 0:
        return np.zeros(picture.shape, dtype=np.uint8)
    scaled = cv2.sqrt(np.maximum(picture, np.float32(0.0)))
    return np.asarray(cv2.convertScaleAbs(scaled, alpha=225.0 / math.sqrt(high)), dtype=np.uint8)


def find_markers(image: NDArray[np.uint8]) -> list[MarkerSeen]:
    """Return the markers of an 8-bit picture (see `tones`), also found at a half and a quarter of its size."""
    found: list[MarkerSeen] = []
    level: NDArray[Any] = image
    step = 1
    while min(level.shape) >= 100 and step <= 4:
        quads = _dark_quads(level)
        quads = quads[~_known(quads, step, found)]
        if len(quads):
            # the inner and the outer border of one marker lead to the same place: the better one counts
            for marker in sorted(_decoded(level, refine_corners(level, quads)), key=lambda seen: -seen.agreement):
                if not _known(marker.corners[None], step, found)[0]:
                    found.append(replace(marker, corners=(marker.corners + 0.5) * step - 0.5))
        level = cv2.resize(level, (level.shape[1] // 2, level.shape[0] // 2), interpolation=cv2.INTER_AREA)
        step *= 2
    return found


def _known(quads: NDArray[np.float64], step: int, found: list[MarkerSeen]) -> NDArray[np.bool_]:
    """Return (quad,) whether a shape of a reduced level lies on a marker found before."""
    if not found:
        return np.zeros(len(quads), dtype=bool)
    corners = np.array([marker.corners for marker in found])
    middle = (quads.mean(axis=1) + 0.5) * step - 0.5
    apart = np.linalg.norm(middle[:, None] - corners.mean(axis=1), axis=-1)
    return np.asarray((apart < 0.5 * np.linalg.norm(corners[:, 2] - corners[:, 0], axis=-1)).any(axis=1))


def _dark_quads(image: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Return (shape, 4, 2) the corners, clockwise, of dark shapes that may be markers."""
    around = cv2.blur(image, (_WINDOW_PX, _WINDOW_PX), borderType=cv2.BORDER_REFLECT)
    smooth = cv2.blur(image, (3, 3), borderType=cv2.BORDER_REFLECT)  # a noisy picture has thousands of specks
    dark = cv2.compare(smooth, cv2.convertScaleAbs(around, alpha=_DARKER_THAN_MEAN), cv2.CMP_LT)
    contours, _ = cv2.findContours(dark, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
    quads: list[tuple[float, NDArray[np.float64]]] = []
    largest = 0.5 * min(image.shape)
    for contour in contours:
        if len(contour) < 4:
            continue
        _, _, width, height = cv2.boundingRect(contour)
        if min(width, height) < 0.8 * SMALLEST_MARKER_PX or max(width, height) > largest:
            continue
        if max(width, height) > 1.8 * min(width, height):
            continue
        hull = cv2.convexHull(contour)
        filled = cv2.contourArea(hull)
        if abs(cv2.contourArea(contour)) < 0.8 * filled:
            continue
        box = cv2.minAreaRect(hull)
        shorter, longer = sorted(box[1])
        if filled < 0.72 * shorter * longer or longer > 1.5 * shorter or shorter < 0.8 * SMALLEST_MARKER_PX:
            continue
        four = cv2.approxPolyDP(hull, 0.06 * cv2.arcLength(hull, True), True)
        corners = four[:, 0, :] if len(four) == 4 else cv2.boxPoints(box)
        quads.append((filled, _clockwise(np.asarray(corners, dtype=np.float64))))
    quads.sort(key=lambda item: -item[0])
    return np.array([corners for _, corners in quads[:_MOST_SHAPES]]).reshape(-1, 4, 2)


def _clockwise(corners: NDArray[np.float64]) -> NDArray[np.float64]:
    middle = corners.mean(axis=0)
    angle = np.arctan2(corners[:, 1] - middle[1], corners[:, 0] - middle[0])
    return np.asarray(corners[np.argsort(angle)])


def _inside_quads(quads: NDArray[np.float64], u: NDArray[np.float64], v: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return (quad, ..., 2) places at shares `u`, `v` (0 to 1 from corner to corner) of each quadrilateral."""
    a, b, c, d = (quads[:, k].reshape(-1, *(1,) * u.ndim, 2) for k in range(4))
    u, v = u[..., None], v[..., None]
    return np.asarray((1 - u) * (1 - v) * a + u * (1 - v) * b + u * v * c + (1 - u) * v * d)


def _sampled(image: NDArray[np.uint8], places: NDArray[np.float64]) -> Floats:
    """Return the picture at places (..., 2) x, y, between pixels, the border repeated outside."""
    flat = places.reshape(-1, 2).astype(np.float32)
    width = 4096  # a map has fewer than 2^15 rows and columns
    rows = -(-len(flat) // width)
    padded = np.zeros((rows * width, 2), dtype=np.float32)
    padded[: len(flat)] = flat
    across, down = np.ascontiguousarray(padded.reshape(rows, width, 2).transpose(2, 0, 1))
    values = cv2.remap(image, across, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(values.reshape(-1)[: len(flat)].reshape(places.shape[:-1]), dtype=np.float32)


_ALONG = np.linspace(0.12, 0.88, 12)
_ACROSS = np.linspace(-1.0, 1.0, 17)


def refine_corners(image: NDArray[np.uint8], quads: NDArray[np.float64], passes: int = 2) -> NDArray[np.float64]:
    """Return the quadrilaterals with their sides moved to where the tone is half way from the white outside to the
    darkest of the border, a line through twelve places per side, (quad, 4, 2)."""
    quads = quads.copy()
    for closer in (1.0, 0.6, 0.6)[:passes]:
        side = np.hypot(*(np.roll(quads, -1, axis=1) - quads).transpose(2, 0, 1))
        reach = np.maximum(1.2 * closer * side.mean(axis=1) / MARKER_MODULES, 1.6)  # (quad,)
        start, end = quads, np.roll(quads, -1, axis=1)
        along = (end - start) / side[..., None]
        outward = np.stack([along[..., 1], -along[..., 0]], axis=-1)
        on_line = start[:, :, None] + _ALONG[None, None, :, None] * (end - start)[:, :, None]
        offset = reach[:, None] * _ACROSS[None, :]  # (quad, step), outward positive
        places = on_line[:, :, :, None] + offset[:, None, None, :, None] * outward[:, :, None, None]
        profile = _sampled(image, places)
        white = profile[..., -5:].max(axis=-1)
        dark = profile[..., :12].min(axis=-1)
        half = 0.5 * (white + dark)
        # the outermost step from dark to bright
        above = profile > half[..., None]
        rising = above[..., 1:] & ~above[..., :-1]
        last = rising.shape[-1] - 1 - np.argmax(rising[..., ::-1], axis=-1)
        usable = rising.any(axis=-1) & (white - dark > 8)
        low = np.take_along_axis(profile, last[..., None], -1)[..., 0]
        high = np.take_along_axis(profile, last[..., None] + 1, -1)[..., 0]
        part = (half - low) / np.maximum(high - low, 1e-3)
        step = reach * (_ACROSS[1] - _ACROSS[0])
        found = (last + part) * step[:, None, None] - reach[:, None, None]
        moved = _lines(_ALONG, np.where(usable, found, np.nan))  # offsets of each side's line at its two ends
        quads = _intersections(start + moved[..., :1] * outward, end + moved[..., 1:] * outward, quads)
    return quads


def _lines(along: NDArray[np.float64], offset: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return (quad, side, 2) the offsets at both ends of lines through (quad, side, place); zero where unknown.

    Places that stray by more than twice the median are left out: a neighbour's edge, dirt.
    """
    value = np.asarray(offset, dtype=np.float64)
    weight = np.isfinite(value).astype(np.float64)
    filled = np.where(weight > 0, value, 0.0)
    fit = np.zeros((*value.shape[:-1], 2))
    for _ in range(2):
        count = np.maximum(weight.sum(axis=-1), 1e-9)
        mean_u = (weight * along).sum(axis=-1) / count
        mean_v = (weight * filled).sum(axis=-1) / count
        du = along - mean_u[..., None]
        spread = np.maximum((weight * du**2).sum(axis=-1), 1e-9)
        slope = (weight * du * (filled - mean_v[..., None])).sum(axis=-1) / spread
        stray = np.abs(filled - mean_v[..., None] - slope[..., None] * du)
        enough = (count >= 5)[..., None]
        fit = np.where(
            enough,
            np.stack([mean_v - slope * mean_u, mean_v + slope * (1.0 - mean_u)], axis=-1),
            np.where(count >= 2, mean_v, 0.0)[..., None],
        )
        typical = np.median(np.where(weight > 0, stray, 0.0), axis=-1, keepdims=True)
        weight = weight * (stray <= 2.5 * typical + 0.05)
    return fit


def _intersections(
    start: NDArray[np.float64], end: NDArray[np.float64], before: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the corners where each side's line meets that of the side before it; the old ones where that fails."""
    p, r = np.roll(start, 1, axis=1), np.roll(end - start, 1, axis=1)
    q, s = start, end - start
    cross = r[..., 0] * s[..., 1] - r[..., 1] * s[..., 0]
    with np.errstate(invalid="ignore", divide="ignore"):
        t = ((q - p)[..., 0] * s[..., 1] - (q - p)[..., 1] * s[..., 0]) / cross
        corners = p + t[..., None] * r
        size = np.hypot(*(before[:, 2] - before[:, 0]).T)[:, None]
        good = np.isfinite(corners).all(axis=-1) & (np.hypot(*(corners - before).transpose(2, 0, 1)) < 0.3 * size)
    return np.where(good.all(axis=1)[:, None, None], corners, before)


# What a marker says


_CELL_SAMPLES = 3
_AXIS = (np.arange(_CELLS * _CELL_SAMPLES) + 0.5) / _CELL_SAMPLES / MARKER_MODULES - 1.0 / MARKER_MODULES
_INNER = slice(2, 2 + MARKER_BITS)


def _modules(image: NDArray[np.uint8], quads: NDArray[np.float64]) -> Floats:
    """Return (quad, 5, 5) the mean tone of each module inside the border."""
    v, u = np.meshgrid(_AXIS, _AXIS, indexing="ij")
    inner = slice(2 * _CELL_SAMPLES, (2 + MARKER_BITS) * _CELL_SAMPLES)
    samples = _sampled(image, _inside_quads(quads, u[inner, inner], v[inner, inner]))
    shape = (len(quads), MARKER_BITS, _CELL_SAMPLES, MARKER_BITS, _CELL_SAMPLES)
    return np.asarray(samples.reshape(shape).mean(axis=(2, 4)), dtype=np.float32)


def _unit(patterns: Floats) -> Floats:
    """Return patterns (..., 25) without their mean, of length 1."""
    free = patterns - patterns.mean(axis=-1, keepdims=True)
    return np.asarray(free / np.maximum(np.linalg.norm(free, axis=-1, keepdims=True), 1e-6), dtype=np.float32)


@lru_cache(maxsize=1)
def _bank() -> tuple[Floats, NDArray[np.int64]]:
    """Return (blur, code x turn, 25) unit patterns, and (code,) the codes the target has."""
    codes = np.array([code for code in range(CODES) if marker_meaning(code) is not None])
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    bits = np.stack([_pattern(dictionary, int(code)) for code in codes])
    whole = np.ones((len(codes), _CELLS, _CELLS), dtype=np.float32)
    whole[:, 1:-1, 1:-1] = 0.0
    whole[:, _INNER, _INNER] = bits
    banks = []
    for sigma in _BLUR_MODULES:
        blurred = whole if sigma == 0 else _blurred(whole, sigma)
        inner = blurred[:, _INNER, _INNER]
        # turn k: the quadrilateral's first corner is the marker's corner k
        turns = np.stack([np.rot90(inner, k, axes=(1, 2)) for k in range(4)], axis=1)
        banks.append(_unit(turns.reshape(len(codes) * 4, MARKER_BITS**2)))
    return np.stack(banks), codes


def _pattern(dictionary: cv2.aruco.Dictionary, code: int) -> Floats:
    picture = np.asarray(cv2.aruco.generateImageMarker(dictionary, code, MARKER_MODULES, borderBits=1))
    return np.asarray(picture[1:-1, 1:-1] > 127, dtype=np.float32)


def _blurred(patterns: Floats, sigma: float) -> Floats:
    """Return patterns (code, cell, cell) under normal blur of `sigma` cells, beyond the ring white."""
    reach = math.ceil(3 * sigma)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    kernel /= kernel.sum()
    size = patterns.shape[1]
    band = np.zeros((size, size), dtype=np.float32)
    for row in range(size):
        for k, weight in enumerate(kernel):
            band[row, min(max(row + k - reach, 0), size - 1)] += weight
    return np.asarray(band @ patterns @ band.T, dtype=np.float32)


def _decoded(image: NDArray[np.uint8], quads: NDArray[np.float64]) -> list[MarkerSeen]:
    """Return those quadrilaterals that are markers."""
    tone = _modules(image, quads).reshape(len(quads), -1)
    patterned = np.ptp(tone, axis=1) > _LEAST_PATTERN  # an evenly dark square says nothing
    if not patterned.any():
        return []
    quads, seen = quads[patterned], _unit(tone[patterned])
    bank, codes = _bank()
    # all codes at the middle blur; how well the best one agrees, at every blur
    # (OpenCV multiplies these thin matrices in a sixtieth of the time)
    score = np.asarray(cv2.gemm(seen, bank[_MIDDLE_BLUR], 1.0, np.empty(0), 0.0, flags=cv2.GEMM_2_T))
    each = np.arange(len(quads))
    best = score.argmax(axis=1)
    lead = score[each, best]
    score.reshape(len(quads), len(codes), 4)[each, best // 4] = -1.0
    lead = lead - score.max(axis=1)
    agrees = np.einsum("qk,bqk->bq", seen, bank[:, best]).max(axis=0)
    markers = []
    for index in np.flatnonzero((agrees >= LEAST_AGREEMENT) & (lead >= LEAST_LEAD)):
        meaning = marker_meaning(int(codes[best[index] // 4]))
        if meaning is not None:
            corners = np.roll(quads[index], best[index] % 4, axis=0)
            markers.append(MarkerSeen(*meaning, corners, float(agrees[index])))
    return markers


def agreement(image: NDArray[np.uint8], quads: NDArray[np.float64], codes: NDArray[np.int64]) -> Floats:
    """Return (quad,) how well quadrilaterals agree with the codes they should have, upright, at the best blur."""
    bank, known = _bank()
    seen = _unit(_modules(image, quads).reshape(len(quads), -1))
    place = np.searchsorted(known, codes) * 4
    return np.asarray(np.einsum("qk,bqk->bq", seen, bank[:, place]).max(axis=0), dtype=np.float32)
