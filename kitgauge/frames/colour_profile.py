"""What a picture's colour profile says about linear light: a curve per channel and the weight of each in
luminance.

Source: ICC.1:2022 (profile header, tag table, curveType 10.6, parametricCurveType 10.18, XYZType 10.31).
Profiles with look-up tables instead of curves, and damaged ones, fall back to sRGB (IEC 61966-2-1, BT.709
weights) in words.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitgauge.srgb import srgb_to_linear

Curve = Callable[[NDArray[np.float64]], NDArray[np.float64]]

BT709_WEIGHTS = (0.2126, 0.7152, 0.0722)


@dataclass(frozen=True)
class Encoding:
    """How codes become light: `curves` map codes 0..1 to light 0..1 (R, G, B), `weights` add to 1."""

    curves: tuple[Curve, Curve, Curve]
    weights: tuple[float, float, float]
    text: str


def encoding_of(profile: bytes | None) -> Encoding:
    """Return the encoding that an ICC profile describes; sRGB where there is none that can be used."""
    if profile is None:
        return _srgb("no colour profile in the file: taken as sRGB")
    try:
        return _from_profile(profile)
    except (struct.error, ValueError, IndexError, OverflowError):
        return _srgb("the colour profile cannot be used: taken as sRGB")


def _srgb(text: str) -> Encoding:
    return Encoding((srgb_to_linear, srgb_to_linear, srgb_to_linear), BT709_WEIGHTS, text)


def _from_profile(profile: bytes) -> Encoding:
    if profile[36:40] != b"acsp":
        raise ValueError("not an ICC profile")
    count = struct.unpack_from(">I", profile, 128)[0]
    if count > 1000:
        raise ValueError("impossible number of tags")
    tags: dict[bytes, bytes] = {}
    for index in range(count):
        name, offset, length = struct.unpack_from(">4sII", profile, 132 + 12 * index)
        tags[name] = profile[offset : offset + length]
    if b"kTRC" in tags:
        curve = _curve(tags[b"kTRC"])
        return Encoding((curve, curve, curve), BT709_WEIGHTS, "linearised with the grey curve of the colour profile")
    names = (b"rTRC", b"gTRC", b"bTRC")
    if not all(name in tags for name in names):
        return _srgb("the colour profile has tables instead of curves: taken as sRGB")
    curves = tuple(_curve(tags[name]) for name in names)
    luminances = [_xyz_y(tags[name]) for name in (b"rXYZ", b"gXYZ", b"bXYZ")]
    total = sum(luminances)
    if not total > 0 or min(luminances) < -0.05 * total:
        raise ValueError("impossible primaries")
    weights = tuple(value / total for value in luminances)
    return Encoding(
        (curves[0], curves[1], curves[2]),
        (weights[0], weights[1], weights[2]),
        "linearised with the curves and primaries of the colour profile",
    )


def _xyz_y(tag: bytes) -> float:
    if tag[:4] != b"XYZ ":
        raise ValueError("not an XYZ tag")
    return float(struct.unpack_from(">3i", tag, 8)[1]) / 65536.0


def _curve(tag: bytes) -> Curve:
    if tag[:4] == b"curv":
        count = struct.unpack_from(">I", tag, 8)[0]
        if count == 0:
            return lambda code: code
        if count == 1:
            gamma = struct.unpack_from(">H", tag, 12)[0] / 256.0
            return _power(gamma)
        table = np.array(struct.unpack_from(f">{count}H", tag, 12), dtype=np.float64) / 65535.0
        positions = np.linspace(0.0, 1.0, count)
        return lambda code: np.interp(code, positions, table)
    if tag[:4] == b"para":
        return _parametric(tag)
    raise ValueError("unknown kind of curve")


def _power(gamma: float) -> Curve:
    if not 0.1 <= gamma <= 10:
        raise ValueError("impossible gamma")
    return lambda code: code**gamma


def _parametric(tag: bytes) -> Curve:
    """Return a parametric curve (ICC.1:2022 table 68): types 0 to 4 with parameters g a b c d e f."""
    kind = struct.unpack_from(">H", tag, 8)[0]
    if kind > 4:
        raise ValueError("unknown kind of parametric curve")
    values = [number / 65536.0 for number in struct.unpack_from(f">{(1, 3, 4, 5, 7)[kind]}i", tag, 12)]
    g = values[0]
    a, b = (values[1], values[2]) if kind >= 1 else (1.0, 0.0)
    c, d, e, f = 0.0, 0.0, 0.0, 0.0
    if kind in (1, 2):
        if a == 0:
            raise ValueError("impossible curve")
        d = -b / a
        e = f = values[3] if kind == 2 else 0.0
    elif kind >= 3:
        c, d = values[3], values[4]
        if kind == 4:
            e, f = values[5], values[6]
    if not 0.1 <= g <= 10:
        raise ValueError("impossible gamma")

    def curve(code: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.where(code >= d, np.maximum(a * code + b, 0.0) ** g + e, c * code + f)

    return curve
