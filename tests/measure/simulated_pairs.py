"""A sensor in a few lines, for the noise tests: nothing of the package in it."""

from __future__ import annotations

import numpy as np


def shading(shape, falloff, tilt=0.0):
    """Light over the frame: 1 in the middle, 1 - falloff in the corners, tilted by `tilt` from left to
    right."""
    y, x = np.meshgrid(np.linspace(-1, 1, shape[0]), np.linspace(-1, 1, shape[1]), indexing="ij")
    return (1 - falloff * (x * x + y * y) / 2) * (1 + tilt * x)


def frame(
    rng,
    light_e,
    gain,
    read_e,
    *,
    black=512.0,
    white=16383,
    response=1.0,
    row_dn=0.0,
    column_dn=0.0,
    hot=None,
    top=None,
):
    """One plane of uint16 samples of a mean of `light_e` [e-]; `hot` is (flat indices, extra DN)."""
    electrons = rng.poisson(light_e * response) + read_e * rng.standard_normal(np.shape(light_e))
    rows, columns = electrons.shape
    dn = electrons / gain + black
    dn += row_dn * rng.standard_normal((rows, 1)) + column_dn * rng.standard_normal((1, columns))
    if hot is not None:
        where, extra = hot
        dn.ravel()[where] += extra * (1 + 0.05 * rng.standard_normal(len(where)))
    return np.clip(np.round(dn), 0, white if top is None else top).astype(np.uint16)


def flat_pair(
    rng,
    shape=(200, 220),
    level_e=20_000.0,
    gain=2.0,
    read_e=5.0,
    *,
    drift=1.0,
    falloff=0.0,
    move=0.0,
    prnu=0.0,
    hot=0,
    **camera,
):
    """Two flats; the first is `drift` times as bright, and the light moves sideways by `move` between
    them."""
    response = 1 + prnu * rng.standard_normal(shape)
    spots = hot_samples(rng, shape, hot) if hot else None
    lights = (shading(shape, falloff), shading(shape, falloff, move) / drift)
    return [frame(rng, level_e * light, gain, read_e, response=response, hot=spots, **camera) for light in lights]


def dark_pair(rng, shape=(200, 220), gain=2.0, read_e=5.0, *, hot=0, **camera):
    spots = hot_samples(rng, shape, hot) if hot else None
    return [frame(rng, np.zeros(shape), gain, read_e, hot=spots, **camera) for _ in range(2)]


def hot_samples(rng, shape, count):
    return rng.choice(shape[0] * shape[1], count, replace=False), rng.uniform(100, 12_000, count)


def contrasts(measure, frames):
    """Each frame beside the mean of those before it: [measure(frame, mean, reference_frames=m), ...]."""
    means = [frames[0]] + [np.mean(frames[:count], axis=0, dtype=np.float64) for count in range(2, len(frames))]
    return tuple(
        measure(frame, mean if count == 1 else mean.astype(np.float32), reference_frames=count)
        for count, (frame, mean) in enumerate(zip(frames[1:], means, strict=True), start=1)
    )
