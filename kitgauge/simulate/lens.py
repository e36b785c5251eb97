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


def defocused_mtf(frequency: ArrayLike, cutoff: float, disc: float) -> NDArray[np.float64]:
    """Return the MTF of a clear circular pupil out of focus by a geometric blur disc of diameter `disc`, in the unit
    of 1/`frequency`; negative where contrast is inverted.

    Two pupils of radius 1, shifted by +-s = frequency / cutoff, overlap in a lens; defocus puts a phase over it that
    runs along the shift (Goodman, Introduction to Fourier Optics, section 6.4), so that the integral over the lens is
    one of cos(phase) along x times its height: 2 sqrt(1 - (|x| + s)^2) for |x| < 1 - s, divided by the pupil's area.
    """
    nu = np.abs(np.asarray(frequency, dtype=np.float64))
    s = np.clip(nu / cutoff, 0.0, 1.0)[..., None]
    angle = (np.arange(256) + 0.5) * (0.5 * math.pi / 256.0)  # midpoints; x = (1 - s) sin: the ends are smooth
    x = (1.0 - s) * np.sin(angle)
    height = np.sqrt(np.maximum(1.0 - (x + s) ** 2, 0.0))
    weight = (1.0 - s) * np.cos(angle) * (0.5 * math.pi / 256.0)
    phase = math.pi * disc * nu[..., None] * x
    return np.asarray(4.0 / math.pi * np.sum(height * np.cos(phase) * weight, axis=-1))


@dataclass(frozen=True)
class Lens:
    """One lens on one pixel pitch.

    Aberration blur of standard deviation sigma [um] at f-number N and distance rho from the centre (0) to a
    corner (1): sigma^2 = floor^2 + (wide_open * (widest_f_number / N)^falloff)^2, where floor and wide_open
    grow with rho^2 from their centre to their corner value, and `weak_corner_factor` multiplies both towards
    the corner `weak_corner` (x, y of -1 or +1), None for a well-centred lens. `lateral_colour_px` is the
    displacement of a colour against green away from the centre, at the corner. The image of a flat target lies at
    z = `field_curvature_um` rho^2 + `tilt_um` x + `longitudinal_colour_um` + `focus_shift_um` log2(N / widest)
    (towards the scene positive), against that of the middle in green wide open.
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
    field_curvature_um: float = 0.0
    tilt_um: float = 0.0
    focus_shift_um: float = 0.0
    longitudinal_colour_um: MappingProxyType[str, float] = field(
        default_factory=lambda: MappingProxyType({"R": 0.0, "G": 0.0, "B": 0.0})
    )

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

    def image_um(self, f_number: float, x: float, y: float, colour: str = "G") -> float:
        """Return where the image of a flat target lies along the axis [um], towards the scene positive."""
        curved = self.field_curvature_um * (x * x + y * y) / 2.0 + self.tilt_um * x
        shifted = self.focus_shift_um * math.log2(f_number / self.widest_f_number)
        return curved + shifted + self.longitudinal_colour_um[colour]

    def disc_px(
        self, f_number: float, pitch_um: float, x: float, y: float, colour: str = "G", sensor_um: float = 0.0
    ) -> float:
        """Return the diameter of the blur disc [px] for a sensor at `sensor_um` along the axis."""
        return abs(self.image_um(f_number, x, y, colour) - sensor_um) / (f_number * pitch_um)

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
