"""The tone curve of sRGB, which screens take codes for (IEC 61966-2-1), both ways."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


def srgb_to_linear(code: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return light 0 to 1 of a code 0 to 1."""
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def linear_to_srgb(light: NDArray[Any]) -> NDArray[Any]:
    """Return the code 0 to 1 of light 0 to 1."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1.0 / 2.4) - 0.055)
