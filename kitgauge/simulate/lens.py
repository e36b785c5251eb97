"""A simulated lens whose optical transfer function is known exactly.

Transfer function = diffraction of a clear circular pupil x normal aberration blur x square pixel. The
aberration blur falls as the lens is stopped down, to a floor; it differs over the frame and between colours.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray


def diffraction_mtf(frequency: ArrayLike, cutoff: float) -> NDArray[np.float64]:
    """Return the incoherent MTF of a clear circular pupil at `frequency`, both in the unit of `cutoff` =
    1/(lambda N).

    Goodman, Introduction to Fourier Optics, chapter 6: (2/pi)(arccos s - s sqrt(1 - s^2)), s = frequency /
    cutoff; zero from the cutoff on.
    """
    s = np.clip(np.abs(np.asarray(frequency, dtype=np.float64)) / cutoff, 0.0, 1.0)
    return np.asarray((2.0 / math.pi) * (np.arccos(s) - s * np.sqrt(1.0 - s * s)))


@dataclass(frozen=True)
class Lens:
    """One lens on one pixel pitch.

    Aberration blur of standard deviation sigma [um] at f-number N and distance rho from the centre (0) to a
    corner (1): sigma^2 = floor^2 + (wide_open * (widest_f_number / N)^falloff)^2, where floor and wide_open
    grow with rho^2 from their centre to their corner value, and `weak_corner_factor` multiplies both towards
    the corner `weak_corner` (x, y of -1 or +1), None for a well-centred lens. `lateral_colour_px` is the
    displacement of a colour against green away from the centre, at the corner.
    """

    name: str = "Sampler 14 mm f/1.8"
    focal_mm: float = 14.0
    widest_f_number: float = 2.0 ** (5 / 6)  # marked f/1.8
    narrowest_f_number: float = 2.0 ** (9 / 2)  # marked f/22
    wavelength_um: MappingProxyType[str, float] = field(
        default_factory=lambda: MappingProxyType({"R": 0.60, "G": 0.54, "B": 0.46})
    )
    floor_um: tuple[float, float] = (1.9, 2.4)  # centre, corner
    wide_open_um: tuple[float, float] = (5.2, 10.5)
    falloff: float = 1.0
    colour_blur: MappingProxyType[str, float] = field(
        default_factory=lambda: MappingProxyType({"R": 1.08, "G": 1.0, "B": 1.15})
    )
    weak_corner: tuple[int, int] | None = None
    weak_corner_factor: float = 1.4
    lateral_colour_px: MappingProxyType[str, float] = field(
        default_factory=lambda: MappingProxyType({"R": 0.30, "G": 0.0, "B": -0.40})
    )
    corner_light_loss: tuple[float, float] = (0.45, 0.12)  # wide open, stopped down

    def aberration_sigma_um(self, f_number: float, x: float, y: float, colour: str = "G") -> float:
        """Return the blur [um] at exact `f_number` and place x, y (-1..1 from the left and the top)."""
        rho_squared = (x * x + y * y) / 2.0
        floor = self.floor_um[0] + (self.floor_um[1] - self.floor_um[0]) * rho_squared
        wide = self.wide_open_um[0] + (self.wide_open_um[1] - self.wide_open_um[0]) * rho_squared
        sigma = math.hypot(floor, wide * (self.widest_f_number / f_number) ** self.falloff)
        if self.weak_corner is not None:
            towards = max(0.0, x * self.weak_corner[0]) * max(0.0, y * self.weak_corner[1])
            sigma *= 1.0 + (self.weak_corner_factor - 1.0) * towards
        return sigma * self.colour_blur[colour]

    def cutoff_cy_per_px(self, f_number: float, pitch_um: float, colour: str = "G") -> float:
        """Return the diffraction cutoff pitch/(lambda N) [cycles/pixel]."""
        return pitch_um / (self.wavelength_um[colour] * f_number)

    def mtf(
        self,
        frequency_cy_per_px: ArrayLike,
        f_number: float,
        pitch_um: float,
        x: float = 0.0,
        y: float = 0.0,
        *,
        colour: str = "G",
        angle_deg: float = 0.0,
    ) -> NDArray[np.float64]:
        """Return the MTF, pixel included, along a direction `angle_deg` off the rows."""
        nu = np.asarray(frequency_cy_per_px, dtype=np.float64)
        angle = math.radians(angle_deg)
        sigma_px = self.aberration_sigma_um(f_number, x, y, colour) / pitch_um
        pixel = np.sinc(nu * math.cos(angle)) * np.sinc(nu * math.sin(angle))
        blur = np.exp(-2.0 * (math.pi * sigma_px * nu) ** 2)
        return np.asarray(diffraction_mtf(nu, self.cutoff_cy_per_px(f_number, pitch_um, colour)) * blur * pixel)

    def mtf50_cy_per_px(
        self,
        f_number: float,
        pitch_um: float,
        x: float = 0.0,
        y: float = 0.0,
        *,
        colour: str = "G",
        angle_deg: float = 0.0,
    ) -> float:
        """Return the true MTF50 [cycles/pixel] by bisection up to the pixel's first zero."""
        low, high = (
            0.0,
            1.0 / max(abs(math.cos(math.radians(angle_deg))), abs(math.sin(math.radians(angle_deg)))),
        )
        for _ in range(60):
            middle = 0.5 * (low + high)
            value = self.mtf(middle, f_number, pitch_um, x, y, colour=colour, angle_deg=angle_deg)
            low, high = (middle, high) if float(value) > 0.5 else (low, middle)
        return 0.5 * (low + high)

    def light_loss(self, f_number: float) -> float:
        """Return the share of light lost in the corners; it falls with the pupil's area."""
        wide, stopped = self.corner_light_loss
        return stopped + (wide - stopped) * min(1.0, (self.widest_f_number / f_number) ** 2)
