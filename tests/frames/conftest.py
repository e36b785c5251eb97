"""Fixtures of the tests of `frames`."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from frame_bytes import dng_entries, tiff_bytes

PROJECT = Path(__file__).resolve().parents[2]
REAL = PROJECT.parent / "shared" / "real"


@pytest.fixture
def write_dng(tmp_path):
    """Return write(samples, name=..., exif=..., **dng_entries arguments) -> path of an uncompressed DNG."""

    def write(samples, name="frame.dng", exif=None, **arguments):
        path = tmp_path / name
        path.write_bytes(tiff_bytes(dng_entries(samples, **arguments), exif, samples.tobytes()))
        return path

    return write


@pytest.fixture
def noisy():
    """Return noisy(rows, columns, level=..., sigma=..., seed=...) -> uint16 samples like a sensor's."""

    def make(rows=64, columns=96, level=1000.0, sigma=20.0, seed=1):
        random = np.random.default_rng(seed)
        return np.clip(np.round(random.normal(level, sigma, (rows, columns))), 0, 65535).astype(np.uint16)

    return make


@pytest.fixture
def real():
    """Return real(name) -> a path below the shared real files, skipping where they are missing."""

    def find(name):
        path = REAL / name
        if not path.exists():
            pytest.skip(f"real files are not beside the project: {path.name} is missing")
        return path

    return find
