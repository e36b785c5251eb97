"""Clean frames of many cameras, and the traps that spoil them: nothing of the package in it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np


@dataclass(frozen=True)
class Camera:
    """One sensor at one ISO. `k` is DN per electron, `read_dn` the read noise [DN]."""

    shape: tuple[int, int] = (400, 500)
    black: float = 512.0
    white: int = 16383
    k: float = 0.5
    read_dn: float = 2.5
    row_dn: float = 0.0
    column_dn: float = 0.0
    prnu: float = 0.005
    hot: int = 20
    extra: dict = field(default_factory=dict)

    def response(self, rng):
        return 1 + self.prnu * rng.standard_normal(self.shape, dtype=np.float32)

    def hot_samples(self, rng):
        where = rng.choice(self.shape[0] * self.shape[1], self.hot, replace=False)
        return where, rng.uniform(0.02, 0.9, self.hot) * (self.white - self.black)

    def expose(self, rng, light_dn, hot=None, k=None):
        """Samples before rounding [DN] for a mean light above black [DN]; shot noise as a normal of its variance."""
        k = self.k if k is None else k
        shape = self.shape
        light = np.broadcast_to(np.asarray(light_dn, np.float32), shape)
        variance = k * np.maximum(light, 0) + self.read_dn**2
        dn = light + np.sqrt(variance) * rng.standard_normal(shape, dtype=np.float32) + np.float32(self.black)
        dn += (self.row_dn * rng.standard_normal((shape[0], 1))).astype(np.float32)
        dn += (self.column_dn * rng.standard_normal((1, shape[1]))).astype(np.float32)
        if hot is not None:
            where, more = hot
            dn.ravel()[where] += more * (1 + 0.02 * rng.standard_normal(len(where)))
        return dn

    def stored(self, dn):
        return np.clip(np.rint(dn), 0, self.white).astype(np.uint16)


def shading(shape, falloff=0.3, tilt=0.0, turn=0.0):
    """Light over the frame: 1 in the middle, 1 - falloff in the corners, tilted by `tilt` along direction `turn`."""
    y = np.linspace(-1, 1, shape[0], dtype=np.float32)[:, None]
    x = np.linspace(-1, 1, shape[1], dtype=np.float32)[None, :]
    return (1 - falloff * (x * x + y * y) / 2) * (1 + tilt * (np.cos(turn) * x + np.sin(turn) * y))


def dust(shape, rng, spots, depth=0.08, radius=(4.0, 12.0)):
    """What static dust lets through: soft round shadows."""
    out = np.ones(shape, np.float32)
    for _ in range(spots):
        size = rng.uniform(*radius)
        cy, cx = rng.uniform(0, shape[0]), rng.uniform(0, shape[1])
        top, bottom = max(0, int(cy - 4 * size)), min(shape[0], int(cy + 4 * size) + 1)
        left, right = max(0, int(cx - 4 * size)), min(shape[1], int(cx + 4 * size) + 1)
        y, x = np.mgrid[top:bottom, left:right]
        shade = rng.uniform(0.2, 1) * depth
        out[top:bottom, left:right] *= 1 - shade * np.exp(-((y - cy) ** 2 + (x - cx) ** 2) / (2 * size**2))
    return out


def flat_pair(rng, camera, level=0.5, *, falloff=0.3, drift=1.0, tilt=0.0, spots=0, after=None, lights=None, k=None):
    """Two flats; `lights` (two factors or maps) multiplies the light, `after(dn)` works on the unrounded samples."""
    hot = camera.hot_samples(rng) if camera.hot else None
    light = level * (camera.white - camera.black) * camera.response(rng) * dust(camera.shape, rng, spots)
    first, second = lights if lights is not None else (1.0, 1.0)
    turn = rng.uniform(0, 2 * np.pi)
    maps = (
        light * shading(camera.shape, falloff) * first,
        light * shading(camera.shape, falloff, tilt, turn) * second / drift,
    )
    gains = k if k is not None else (None, None)
    frames = [camera.expose(rng, m, hot, gain) for m, gain in zip(maps, gains, strict=True)]
    return [camera.stored(dn if after is None else after(dn)) for dn in frames]


def dark_pair(rng, camera, *, light=(0.0, 0.0), after=None):
    hot = camera.hot_samples(rng) if camera.hot else None
    frames = [camera.expose(rng, m, hot) for m in light]
    return [camera.stored(dn if after is None else after(dn)) for dn in frames]


def any_camera(rng, megapixels=(0.1, 4.0)):
    """A clean camera out of the range that real ones span, with the settings of a flat pair for it."""
    bits = int(rng.choice([10, 12, 14]))
    white = 2**bits - 1
    size = np.exp(rng.uniform(*np.log(megapixels))) * 1e6
    rows = int(np.sqrt(size / 1.5))
    read = float(np.exp(rng.uniform(np.log(0.5), np.log({10: 6, 12: 15, 14: 30}[bits]))))
    row, column = read * rng.uniform(0, 0.5) * rng.integers(0, 2), read * rng.uniform(0, 0.3) * rng.integers(0, 2)
    black = float(max(white / 32, 8 * (read + row + column)) + rng.uniform(0, 5))
    electrons = np.exp(rng.uniform(np.log(1500), np.log(60_000)))
    camera = Camera(
        shape=(rows, int(rows * 1.5)),
        black=black,
        white=white,
        k=(white - black) / electrons,
        read_dn=read,
        row_dn=row,
        column_dn=column,
        prnu=rng.uniform(0, 0.01),
        hot=int(rng.uniform(0, 2e-4) * rows * rows * 1.5),
    )
    level = rng.uniform(0.16, 0.85)
    top = level * (white - black)
    room = 7 * np.sqrt(top * camera.k + read**2 + (camera.prnu * top) ** 2) + 4 * (row + column)
    if top * 1.03 + room > white - black:
        level *= (white - black - room) / (1.04 * top)
    settings = {
        "level": max(level, 0.1),
        "falloff": rng.uniform(0, 0.5),
        "drift": rng.uniform(0.97, 1.03),
        "tilt": rng.uniform(0, 0.01),
        "spots": int(rng.integers(0, 12)),
    }
    return camera, settings
