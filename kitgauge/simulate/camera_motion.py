"""What a camera does to the motion of its picture: a knock of its shutter, a stabiliser. Sizes are own choices.

- The shutter or the mirror knocks the camera when the exposure starts, and the camera rings: a damped swing, on a
  tripod too.
- A stabiliser follows slow turns well and fast ones hardly. What it leaves of a turn of frequency f is taken as
  sqrt((s^2 + (f/f_0)^2) / (1 + (f/f_0)^2)), s = 2^-stops far below f_0 and 1 far above (a loop of the first order with
  a floor). It adds noise of its own. Pitch and yaw only, as in ISO 20954-1; the knock is too quick for it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

STABILISER_NOISE_HZ = (1.0, 20.0)


@dataclass(frozen=True)
class ShutterKnock:
    """A swing of first amplitude `size_rad` (before damping) that starts with the exposure.

    `direction_deg`: the way the picture moves, 0 along the rows, 90 down the columns.
    """

    size_rad: float
    frequency_hz: float = 12.0
    decay_s: float = 0.04
    direction_deg: float = 90.0

    def angles_rad(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return yaw and pitch [rad] at times since the start of the exposure, (2, time)."""
        swing = self.size_rad * np.exp(-time_s / self.decay_s) * np.sin(2.0 * np.pi * self.frequency_hz * time_s)
        direction = math.radians(self.direction_deg)
        return np.array([[math.cos(direction)], [math.sin(direction)]]) * swing


@dataclass(frozen=True)
class Stabiliser:
    """Slow turns are smaller by `stops`; `follows_hz` is f_0; `noise_rad` the deviation per axis of what it adds."""

    stops: float = 3.0
    follows_hz: float = 15.0
    noise_rad: float = 0.02e-3

    def share_left(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return what is left of turns of these frequencies."""
        square = (frequency_hz / self.follows_hz) ** 2
        return np.asarray(np.sqrt((4.0**-self.stops + square) / (1.0 + square)))
