"""Frames of a target under hazards, drawn here with every true edge known, and frames of things that are no target.

A scene is drawn at three samples per pixel and averaged (as `test_edge_finding.chart` does); a camera with rotation,
perspective and radial distortion maps every outline point by point, so the true course of each edge is known exactly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import cv2
import numpy as np
from edge_scenes import PATTERNS, add_noise, green

BRIGHT_DN = 3000.0
SCALE = 3


@dataclass(frozen=True)
class Hazards:
    """What makes a frame hard; the defaults are an easy one."""

    shape: tuple[int, int] = (900, 1350)  # rows, columns
    rotation_deg: float = 0.0
    perspective_deg: float = 0.0  # tilt of the sheet about a random axis; the frame spans 40 degrees
    distortion: float = 0.0  # relative radius change at the frame's corner
    stops: float = 0.0  # light falls off by so much from one side to the other
    out_of_frame: float = 0.0  # share of the target's width outside
    defocus_px: float = 0.0  # diameter of the blur circle
    snr: float = 80.0  # of one bright sample
    mixed: bool = False  # red and blue light change over the frame
    second: bool = False  # a second target, turned another way, in view
    clutter: bool = False  # writing, ruler and codes on the sheet, a rough ground around it
    contrast: float = 4.0
    pattern: str = "bayer"
    squares: tuple[int, int] = (3, 4)  # rows, columns on the sheet


@dataclass
class Frame:
    """A drawn frame with its truth: `sides` (n, 2) courses of the squares' sides, `others` those of other edges."""

    signal: np.ndarray
    mask: np.ndarray
    saturated: np.ndarray
    ideal: np.ndarray  # without blur, noise and light
    hazards: Hazards
    sides: list[np.ndarray] = field(default_factory=list)
    others: list[np.ndarray] = field(default_factory=list)


class _Camera:
    """Sheet coordinates (unit: frame widths from the middle) to pixels."""

    def __init__(self, hazards: Hazards, rng: np.random.Generator, turn_deg: float, shift: tuple[float, float]) -> None:
        self.rows, self.columns = hazards.shape
        turn = math.radians(turn_deg)
        axis = rng.uniform(0.0, 2.0 * math.pi)
        tilt = math.radians(hazards.perspective_deg)
        c, s = math.cos(turn), math.sin(turn)
        in_plane = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
        k = np.array([math.cos(axis), math.sin(axis), 0.0])
        cross = np.array([[0, -k[2], k[1]], [k[2], 0, -k[0]], [-k[1], k[0], 0]])
        out_of_plane = np.eye(3) + math.sin(tilt) * cross + (1 - math.cos(tilt)) * cross @ cross
        self.turn = out_of_plane @ in_plane
        self.shift = np.array([*shift, 0.0])
        self.distance = 0.5 / math.tan(math.radians(20.0))
        self.distortion = hazards.distortion

    def __call__(self, points: np.ndarray) -> np.ndarray:
        flat = np.column_stack([points, np.zeros(len(points))]) @ self.turn.T + self.shift
        place = flat[:, :2] * (self.distance / (self.distance + flat[:, 2]))[:, None] * self.columns
        corner = 0.25 * (self.rows**2 + self.columns**2)
        place = place * (1.0 + self.distortion * (place**2).sum(axis=1) / corner)[:, None]
        return place + np.array([0.5 * (self.columns - 1), 0.5 * (self.rows - 1)])


def _outline(corners: np.ndarray, per_side: int = 24) -> list[np.ndarray]:
    """The sides of a polygon as (point, 2) courses."""
    t = np.linspace(0.0, 1.0, per_side)[:, None]
    return [a + t * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)]


def _square(x: float, y: float, side: float, tilt_deg: float, height: float | None = None) -> np.ndarray:
    c, s = math.cos(math.radians(tilt_deg)), math.sin(math.radians(tilt_deg))
    half, tall = 0.5 * side, 0.5 * (side if height is None else height)
    corners = np.array([(-half, -tall), (half, -tall), (half, tall), (-half, tall)])
    return corners @ np.array([[c, s], [-s, c]]) + (x, y)


def _fill(picture: np.ndarray, outline: list[np.ndarray], value: float) -> None:
    points = np.concatenate([side[:-1] for side in outline])
    fixed = np.round(((points + 0.5) * SCALE - 0.5) * 16.0).astype(np.int32)
    cv2.fillPoly(picture, [fixed], value, lineType=cv2.LINE_8, shift=4)


def _sheet(
    picture: np.ndarray, camera: _Camera, hazards: Hazards, rng: np.random.Generator, width: float, frame: Frame
) -> None:
    """Draw one sheet `width` frame widths wide with its squares, and note where they lie."""
    ink, paper = 1.0 / hazards.contrast, 1.0
    rows, columns = hazards.squares
    pitch = width / columns
    height = pitch * rows
    border = [camera(side) for side in _outline(_square(0.0, 0.0, width * 1.02, 0.0, height * 1.02))]
    if hazards.clutter or hazards.second:
        _fill(picture, border, paper)
        frame.others += border
    for row in range(rows):
        for column in range(columns):
            x, y = (column + 0.5) * pitch - 0.5 * width, (row + 0.5) * pitch - 0.5 * height
            tilt = 5.0 if (row + column) % 2 == 0 else -5.0
            sides = [camera(side) for side in _outline(_square(x, y, 0.52 * pitch, tilt))]
            _fill(picture, sides, ink)
            frame.sides += sides
            if hazards.clutter:
                for k in range(5):  # a code in cells beside the square
                    for m in range(5):
                        if rng.random() < 0.5:
                            cell = _square(
                                x + (0.38 + 0.025 * k) * pitch, y + (0.38 + 0.025 * m) * pitch, 0.025 * pitch, 0
                            )
                            part = [camera(side) for side in _outline(cell, 3)]
                            _fill(picture, part, ink)
                            frame.others += part
    if hazards.clutter:
        for tick in range(60):  # a ruler
            part = _outline(_square((tick - 30) * 0.004, 0.497 * height, 0.0012, 0.0, 0.02 * height), 3)
            sides = [camera(side) for side in part]
            _fill(picture, sides, ink)
            frame.others += sides


def _rough(shape: tuple[int, int], cell: int, rng: np.random.Generator) -> np.ndarray:
    small = rng.normal(size=(shape[0] // cell + 2, shape[1] // cell + 2)).astype(np.float32)
    return cv2.resize(small, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)


def _photograph(ideal: np.ndarray, hazards: Hazards, rng: np.random.Generator, seed: int) -> np.ndarray:
    """Blur, light and noise."""
    picture = ideal
    if hazards.defocus_px:
        reach = math.ceil(0.5 * hazards.defocus_px) + 1
        y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
        disc = np.clip(0.5 * hazards.defocus_px + 0.5 - np.hypot(x, y), 0, 1).astype(np.float32)
        picture = cv2.filter2D(picture, -1, disc / disc.sum(), borderType=cv2.BORDER_REPLICATE)
    picture = cv2.GaussianBlur(picture, (0, 0), 0.6)
    rows, columns = hazards.shape
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    direction = rng.uniform(0.0, 2.0 * math.pi)
    ramp = (math.cos(direction) * (x / columns - 0.5) + math.sin(direction) * (y / rows - 0.5)) / (
        abs(math.cos(direction)) + abs(math.sin(direction))
    )
    clean = BRIGHT_DN * picture * 2.0 ** (hazards.stops * (ramp - 0.5))
    if hazards.mixed:
        tile = PATTERNS[hazards.pattern]
        for row, letters in enumerate(tile):
            for column, letter in enumerate(letters):
                place = (slice(row, None, len(tile)), slice(column, None, len(letters)))
                share = x[place] / columns if letter == "R" else 1.0 - x[place] / columns
                if letter != "G":
                    clean[place] *= 0.3 + 1.0 * share
    return add_noise(clean, BRIGHT_DN, hazards.snr, seed)


def draw(hazards: Hazards, seed: int) -> Frame:
    """Return a frame of the target under `hazards`."""
    rng = np.random.default_rng(seed)
    rows, columns = hazards.shape
    picture = np.full((rows * SCALE, columns * SCALE), 1.0, dtype=np.float32)
    if hazards.clutter or hazards.second:
        picture = np.clip(0.35 + 0.04 * _rough(picture.shape, 12 * SCALE, rng), 0.05, 1.0).astype(np.float32)
    frame = Frame(np.empty(0), np.empty(0), np.empty(0), picture, hazards)
    turn = hazards.rotation_deg * (1 if rng.random() < 0.5 else -1)
    width = min(0.8, 0.8 * rows / columns * hazards.squares[1] / hazards.squares[0])
    if hazards.out_of_frame:
        width = min(1.3, 1.3 * rows / columns * hazards.squares[1] / hazards.squares[0])
    shift = tuple(rng.uniform(-0.02, 0.02, 2))
    if hazards.out_of_frame:
        away = 0.5 - width * (0.5 - hazards.out_of_frame)
        shift = (away if rng.random() < 0.5 else -away, shift[1])
    if hazards.second:
        width *= 0.55
        first = _Camera(hazards, rng, turn, (-0.25, shift[1]))
        _sheet(picture, first, hazards, rng, width, frame)
        other = _Camera(hazards, rng, turn + rng.uniform(-12.0, 12.0), (0.25, -shift[1]))
        _sheet(picture, other, hazards, rng, width, frame)
    else:
        _sheet(picture, _Camera(hazards, rng, turn, shift), hazards, rng, width, frame)
    frame.ideal = cv2.resize(picture, (columns, rows), interpolation=cv2.INTER_AREA)
    frame.signal = _photograph(frame.ideal, hazards, rng, seed)
    frame.mask = green(hazards.shape, hazards.pattern)
    frame.saturated = np.zeros(hazards.shape, dtype=bool)
    return frame


def texture(kind: str, seed: int, shape: tuple[int, int] = (900, 1350), snr: float = 80.0) -> np.ndarray:
    """Return the signal of a frame full of "leaves", "text", "brick", "grass" or "weave": nothing to measure."""
    rng = np.random.default_rng(seed)
    rows, columns = shape
    picture = np.full((rows * SCALE, columns * SCALE), 0.5, dtype=np.float32)
    tall, wide = picture.shape
    if kind == "leaves":  # ellipses with a mid-rib, over each other, large ones first
        for size in np.geomspace(120.0, 12.0, 1800):
            x, y, turn = rng.uniform(0, wide), rng.uniform(0, tall), rng.uniform(0, 360)
            shade = float(rng.uniform(0.08, 0.95))
            long, slim = size * SCALE * 0.5, size * SCALE * rng.uniform(0.12, 0.25)
            cv2.ellipse(picture, (int(x), int(y)), (int(long), int(slim)), turn, 0, 360, shade, -1, cv2.LINE_AA)
            c, s = math.cos(math.radians(turn)) * long, math.sin(math.radians(turn)) * long
            cv2.line(picture, (int(x - c), int(y - s)), (int(x + c), int(y + s)), shade * 1.25, SCALE, cv2.LINE_AA)
    elif kind == "text":
        page = np.zeros(picture.shape, dtype=np.uint8)
        letters = "abcdefghiklmnoprstuvwyEHILMNTAKZ   "
        height = rng.uniform(0.7, 3.0) * SCALE / 2
        step = int(34 * height)
        for y in range(step, tall, step):
            line = "".join(rng.choice(list(letters), 140))
            thick = max(1, int(2.2 * height))
            cv2.putText(page, line, (-40, y), cv2.FONT_HERSHEY_SIMPLEX, height, 255, thick, cv2.LINE_AA)
        picture = (1.0 - 0.85 / 255.0 * page).astype(np.float32)
        turn = cv2.getRotationMatrix2D((wide / 2, tall / 2), rng.uniform(-9, 9), 1.12)
        picture = cv2.warpAffine(picture, turn, (wide, tall), flags=cv2.INTER_LINEAR, borderValue=1.0)
    elif kind == "brick":
        picture[:] = 0.75 + 0.05 * _rough(picture.shape, 2 * SCALE, rng)
        high = int(rng.uniform(35, 80)) * SCALE
        long, joint = int(3.2 * high), max(int(0.16 * high), 4)
        for line, y in enumerate(range(-high, tall + high, high)):
            for x in range(-long + (line % 2) * long // 2, wide + long, long):
                corners = np.array(
                    [(x, y), (x + long - joint, y), (x + long - joint, y + high - joint), (x, y + high - joint)]
                )
                outline = np.concatenate(_outline(corners.astype(float), 40))
                outline += rng.normal(0, 0.012 * high, outline.shape)
                cv2.fillPoly(picture, [outline.astype(np.int32)], float(rng.uniform(0.2, 0.45)))
        picture *= 1.0 + 0.10 * _rough(picture.shape, 3 * SCALE, rng) + 0.10 * _rough(picture.shape, 9 * SCALE, rng)
        turn = cv2.getRotationMatrix2D((wide / 2, tall / 2), rng.uniform(-9, 9), 1.15)
        picture = cv2.warpAffine(picture, turn, (wide, tall), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    elif kind == "grass":
        for _ in range(9000):
            x, y = rng.uniform(0, wide), rng.uniform(0, tall)
            lean, long = rng.normal(0, 0.35), rng.uniform(40, 160) * SCALE
            end = (int(x + lean * long), int(y - long))
            thick = int(rng.integers(SCALE, 4 * SCALE))
            cv2.line(picture, (int(x), int(y)), end, float(rng.uniform(0.1, 0.9)), thick, cv2.LINE_AA)
    elif kind == "weave":
        y, x = np.mgrid[0:tall, 0:wide].astype(np.float32)
        a = rng.uniform(-0.15, 0.15)
        period = rng.uniform(8, 30) * SCALE
        u, v = (x * math.cos(a) + y * math.sin(a)) / period, (-x * math.sin(a) + y * math.cos(a)) / period
        over = ((np.floor(u) + np.floor(v)) % 2).astype(np.float32)
        picture = (0.3 + 0.4 * over * np.abs(np.sin(np.pi * u)) + 0.3 * (1 - over) * np.abs(np.sin(np.pi * v))).astype(
            np.float32
        )
    else:
        raise ValueError(kind)
    ideal = cv2.resize(np.clip(picture, 0.02, 1.2), (columns, rows), interpolation=cv2.INTER_AREA)
    return _photograph(ideal, Hazards(shape=shape, snr=snr), rng, seed)


@dataclass(frozen=True)
class Score:
    """How a search did: sides that lie wholly inside, those found, and candidates that are no edge of the scene."""

    expected: int
    found: int
    invented: int
    off: int  # found, but off its true course, past its ends, or much too short
    overreach: int  # free ground that holds another structure
    reasons: tuple[str, ...]  # flags of refused edges on the missed sides ("" where nothing was seen)
    candidates: int


def _gap(course: np.ndarray, x: float, y: float) -> tuple[float, float]:
    """Distance of a point to a course, and how far along it (0 to 1)."""
    a, b = course[:-1], course[1:]
    run = b - a
    t = np.clip((((x, y) - a) * run).sum(axis=1) / np.maximum((run**2).sum(axis=1), 1e-12), 0.0, 1.0)
    away = np.hypot(*((a + t[:, None] * run) - (x, y)).T)
    best = int(np.argmin(away))
    return float(away[best]), (best + float(t[best])) / len(a)


def _tilt(course: np.ndarray) -> float:
    x, y = course[-1] - course[0]
    angle = math.degrees(math.atan2(abs(y), abs(x)))
    return min(angle, 90.0 - angle)


def _on(course: np.ndarray, edge, slack: float) -> bool:
    """Tell whether both ends and the middle of an edge lie on a course."""
    places = [(edge.x0, edge.y0), (0.5 * (edge.x0 + edge.x1), 0.5 * (edge.y0 + edge.y1)), (edge.x1, edge.y1)]
    return all(_gap(course, *place)[0] < slack for place in places)


def _true_free(frame: Frame, edge, sign: float, reach: float) -> float:
    """How far the ideal picture stays level beside an edge."""
    free = reach
    for part in np.linspace(0.05, 0.95, 9):
        x, y = edge.x0 + part * (edge.x1 - edge.x0), edge.y0 + part * (edge.y1 - edge.y0)
        d = np.arange(3.0, reach, 0.5)
        ix = np.clip(np.round(x + sign * d * edge.normal_x).astype(int), 0, frame.ideal.shape[1] - 1)
        iy = np.clip(np.round(y + sign * d * edge.normal_y).astype(int), 0, frame.ideal.shape[0] - 1)
        level = frame.ideal[iy, ix]
        wrong = np.flatnonzero(np.abs(level - level[0]) > 0.12)
        if wrong.size:
            free = min(free, float(d[wrong[0]]))
    return free


def _covered(frame: Frame, side: np.ndarray) -> bool:
    """Tell whether another sheet lies over a part of a side."""
    run = side[-1] - side[0]
    normal = np.array([run[1], -run[0]]) / np.hypot(*run)
    rows, columns = frame.ideal.shape
    for part in (1, 6, 12, 18, -2):
        levels = []
        for offset in (-6.0, 6.0):
            x, y = np.round(side[part] + offset * normal).astype(int)
            levels.append(frame.ideal[np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1)])
        if abs(levels[1] - levels[0]) < 0.8 * (1.0 - 1.0 / frame.hazards.contrast):
            return True
    return False


def score(frame: Frame, found) -> Score:
    """Compare a search with the truth."""
    hazards = frame.hazards
    rows, columns = hazards.shape
    margin = 12.0 + hazards.defocus_px
    slack = 2.0 + 0.15 * hazards.defocus_px
    expected = hits = off = overreach = 0
    reasons: list[str] = []
    claimed: set[int] = set()
    for side in frame.sides:
        x, y = side.T
        inside = (
            x.min() > margin and y.min() > margin and x.max() < columns - 1 - margin and y.max() < rows - 1 - margin
        )
        length = float(np.hypot(*(side[-1] - side[0])))
        usable = 1.3 < _tilt(side) < 42.5 and not _covered(frame, side)
        on = [k for k, edge in enumerate(found.candidates) if _on(side, edge, slack + 3.0)]
        claimed.update(on)
        if not (inside and usable):
            continue
        expected += 1
        if not on:
            near = [r.flag for r in found.refused if _on(side, r, slack + 6.0)]
            reasons.append(near[0] if near else "")
            continue
        hits += 1
        edge = max((found.candidates[k] for k in on), key=lambda e: e.length_px)
        good = _on(side, edge, slack) and edge.length_px > 0.6 * length - 2.0 * hazards.defocus_px
        good = good and edge.length_px < length + 1.0 and len(on) == 1
        off += not good
    for edge in (found.candidates[k] for k in claimed):
        for sign, free in ((1.0, edge.half_width_bright_px), (-1.0, edge.half_width_dark_px)):
            if free > _true_free(frame, edge, sign, 60.0) + 3.0 + 0.5 * hazards.defocus_px:
                overreach += 1
    known = [
        k for k, edge in enumerate(found.candidates) if any(_on(course, edge, slack + 2.0) for course in frame.others)
    ]
    invented = len(found.candidates) - len(claimed.union(known))
    return Score(expected, hits, invented, off, overreach, tuple(reasons), len(found.candidates))


HAZARDS: dict[str, Hazards] = {
    "plain": Hazards(),
    "rotation 15": Hazards(rotation_deg=15.0),
    "rotation 10": Hazards(rotation_deg=10.0),
    "perspective 8": Hazards(perspective_deg=8.0),
    "barrel 3 %": Hazards(distortion=-0.03),
    "pincushion 3 %": Hazards(distortion=0.03),
    "two stops of light": Hazards(stops=2.0),
    "30 % out of frame": Hazards(out_of_frame=0.3),
    "defocus 12 px": Hazards(defocus_px=12.0),
    "SNR 10": Hazards(snr=10.0),
    "mixed light": Hazards(mixed=True),
    "second target": Hazards(second=True),
    "clutter": Hazards(clutter=True),
    "6x6 pattern": Hazards(pattern="six"),
    "monochrome": Hazards(pattern="mono"),
    "contrast 2": Hazards(contrast=2.0),
    "contrast 20": Hazards(contrast=20.0),
    "small squares": Hazards(squares=(6, 9)),
    "defocus + SNR 10": Hazards(defocus_px=12.0, snr=10.0),
    "rotation + perspective + barrel": Hazards(rotation_deg=15.0, perspective_deg=8.0, distortion=-0.03),
    "light + SNR 10": Hazards(stops=2.0, snr=10.0),
    "6x6 + defocus + light": Hazards(pattern="six", defocus_px=12.0, stops=2.0),
    "clutter + defocus": Hazards(clutter=True, defocus_px=12.0),
    "clutter + SNR 10": Hazards(clutter=True, snr=10.0),
    "all but defocus": Hazards(
        rotation_deg=12.0, perspective_deg=8.0, distortion=0.03, stops=2.0, snr=15.0, mixed=True, clutter=True
    ),
    "everything": Hazards(
        rotation_deg=12.0, perspective_deg=8.0, distortion=-0.03, stops=2.0, out_of_frame=0.3, defocus_px=12.0,
        snr=10.0, mixed=True, clutter=True, second=True,
    ),
}  # fmt: skip
TEXTURES = ("leaves", "text", "brick", "grass", "weave")
