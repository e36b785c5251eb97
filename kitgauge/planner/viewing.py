"""How sharp a point looks in the picture as used: defocus, diffraction and lens together, through their MTFs.

The viewing frequency is the one at which a plain blur disc of the circle of confusion has half contrast; half
contrast there is what counts as sharp. With a perfect lens that is the handbook's depth of field. A real lens
has spent part of the contrast already: what is left sets the disc that defocus may still add.

Frequencies in cycles/mm on the sensor, lengths in mm. Pure standard library.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from functools import lru_cache
from typing import NamedTuple

WAVELENGTH_MM = 550e-6  # green, where the eye and the sensor see most
HALF = 0.5
HALF_CONTRAST_DISC = 2.2150894 / math.pi  # diameter times frequency at which 2 J1(x)/x = 1/2, x = pi c nu
FIRST_ZERO_DISC = 3.8317060 / math.pi  # the same for J1(x) = 0
_NODES = 12


def _gauss_legendre(count: int) -> tuple[tuple[float, float], ...]:
    """Return (node, weight) on 0 to 1, by Newton's method on the Legendre recurrence."""
    rule = []
    for k in range(count):
        x = math.cos(math.pi * (k + 0.75) / (count + 0.5))
        slope = 1.0
        for _ in range(20):
            before, value = 1.0, x
            for n in range(2, count + 1):
                before, value = value, ((2 * n - 1) * x * value - (n - 1) * before) / n
            slope = count * (x * value - before) / (x * x - 1)
            step = value / slope
            x -= step
            if abs(step) < 1e-15:
                break
        rule.append(((1 + x) / 2, 1 / ((1 - x * x) * slope * slope)))
    return tuple(rule)


_RULE = _gauss_legendre(_NODES)


@lru_cache(maxsize=1 << 14)  # a grid of plans asks for the same few thousand again and again
def defocused_mtf(f_number: float, disc_mm: float, frequency: float) -> float:
    """Return the contrast of an ideal lens, defocused to a geometric blur disc of `disc_mm`; negative where
    inverted.

    Overlap integral of two pupils shifted by s = lambda N nu either way, with the phase of defocus (Goodman,
    Introduction to Fourier Optics, ch. 6, from memory); a rim defocus of c/(8 N) makes a disc of diameter c,
    so with B = pi c nu it is (4/pi) int sin(B (sqrt(1 - y^2) - s))/B dy, y from 0 to sqrt(1 - s^2). In focus
    that is (2/pi)(arccos s - s sqrt(1 - s^2)), for s = 0 the disc's 2 J1(B)/B. 0 beyond the cut-off frequency
    1/(lambda N).
    """
    s = WAVELENGTH_MM * f_number * frequency
    if s >= 1:
        return 0.0
    B, reach = math.pi * disc_mm * frequency, math.acos(s)
    total = 0.0
    for node, weight in _RULE:  # y = sin(angle)
        cosine = math.cos(reach * node)
        inner = cosine - s
        total += weight * cosine * (math.sin(B * inner) / B if B > 1e-9 else inner)
    return 4 / math.pi * reach * total


class Viewing(NamedTuple):
    """A picture's demand and a lens's share in it.

    circle_mm    circle of confusion: the blur disc that passes for a point with a perfect lens
    aberration   (f-number, a) rising: beyond diffraction the lens and the pixel have exp(-a nu^2), a in mm^2;
                 empty
                 for a lens that was not measured, which counts as limited by diffraction alone
    aberration_stderr   (f-number, standard error of a), empty where it is not known
    """

    circle_mm: float
    aberration: tuple[tuple[float, float], ...] = ()
    aberration_stderr: tuple[tuple[float, float], ...] = ()

    @property
    def frequency(self) -> float:
        """The viewing frequency [cycles/mm on the sensor]: 0.705 / circle."""
        return HALF_CONTRAST_DISC / self.circle_mm

    def mtf(self, f_number: float, disc_mm: float) -> float:
        """Return the contrast at the viewing frequency with a defocus disc of `disc_mm`; negative where
        inverted.
        """
        return defocused_mtf(f_number, disc_mm, self.frequency) * math.exp(-self._a(f_number) * self.frequency**2)

    def log_error(self, f_number: float) -> float | None:
        """Return the standard error of ln(contrast) by the measured sharpness, None where that is not known."""
        if not self.aberration_stderr:
            return None
        return _between(self.aberration_stderr, f_number) * self.frequency**2

    def allowed_disc_mm(self, f_number: float) -> float:
        """Return the disc that defocus may add at `f_number`; 0 where the lens alone is below half
        contrast.
        """
        low, above = 0.0, self.mtf(f_number, 0.0) - HALF
        if above <= 0:
            return 0.0
        # contrast falls up to the disc's first zero; diffraction moves that by little
        high = 1.2 * FIRST_ZERO_DISC / self.frequency
        below, last = self.mtf(f_number, high) - HALF, 0
        for _ in range(60):  # false position; halving the value of an end that stays keeps it fast (Illinois rule)
            middle = (low * below - high * above) / (below - above)
            value = self.mtf(f_number, middle) - HALF
            if abs(value) < 1e-12:
                return middle
            if value > 0:
                low, above, below, last = middle, value, below / 2 if last > 0 else below, 1
            else:
                high, below, above, last = middle, value, above / 2 if last < 0 else above, -1
        return low

    def _a(self, f_number: float) -> float:
        """Return a, linear in log f-number between measured points and level beyond them."""
        return _between(self.aberration, f_number) if self.aberration else 0.0


def _between(points: tuple[tuple[float, float], ...], f_number: float) -> float:
    numbers = [number for number, _ in points]
    index = bisect_right(numbers, f_number)
    if index in (0, len(numbers)):
        return points[min(index, len(numbers) - 1)][1]
    (n0, a0), (n1, a1) = points[index - 1], points[index]
    share = math.log(f_number / n0) / math.log(n1 / n0)
    return (1 - share) * a0 + share * a1


def aberration_of(mtf50: tuple[tuple[float, float], ...], pitch_um: float) -> tuple[tuple[float, float], ...]:
    """Return (f-number, a) from (f-number, MTF50 [cycles/pixel]): what half contrast leaves beyond
    diffraction.

    A lens measured sharper than diffraction allows (a sharpened file) counts as limited by diffraction: a =
    0.
    """
    found = []
    for f_number, cy_per_px in mtf50:
        frequency = cy_per_px * 1000 / pitch_um
        ideal = defocused_mtf(f_number, 0.0, frequency)
        found.append((f_number, math.log(ideal / HALF) / frequency**2 if ideal > HALF else 0.0))
    return tuple(found)


def aberration_stderr_of(
    mtf50: tuple[tuple[float, float, float], ...], pitch_um: float
) -> tuple[tuple[float, float], ...]:
    """Return (f-number, standard error of a) from (f-number, MTF50, its standard error) [cycles/pixel]; empty unless
    every error is known.
    """
    if any(math.isnan(error) for _, _, error in mtf50):
        return ()
    middle, softer = (
        aberration_of(tuple((number, value - sign * error) for number, value, error in mtf50), pitch_um)
        for sign in (0, 1)
    )
    return tuple((number, abs(more - a)) for (number, a), (_, more) in zip(middle, softer, strict=True))
