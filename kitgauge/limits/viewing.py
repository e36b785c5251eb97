"""How large a picture is seen, and what it shows of a sensor's noise.

Pure standard library: plans read this at start-up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

# Visual acuity 1.0: the gap of 1 arcminute in a Landolt ring is just seen (ISO 8596, from memory). A print shows no
# more than one pixel per arcminute to such an eye.
ACUITY_RAD = math.radians(1.0 / 60.0)


def print_megapixels(long_side_cm: float, viewing_distance_cm: float, frame_shape: tuple[int, int]) -> float:
    """Return the pixels [megapixels] that an eye of visual acuity 1.0 tells apart in a print seen from a distance.

    frame_shape : (rows, columns) of the frame, for the print's proportions. Lengths [cm] above 0.
    """
    pixel_cm = viewing_distance_cm * math.tan(ACUITY_RAD)
    proportion = min(frame_shape) / max(frame_shape)
    return (long_side_cm / pixel_cm) ** 2 * proportion / 1e6


def picture_megapixels(long_side_cm: float, viewing_distance_cm: float, frame_shape: tuple[int, int]) -> float:
    """Return `print_megapixels`, at most the pixels of the frame: beyond them a print shows nothing more."""
    return min(print_megapixels(long_side_cm, viewing_distance_cm, frame_shape), frame_shape[0] * frame_shape[1] / 1e6)


def relative_power_below(spectrum: Sequence[float], share: float) -> float:
    """Return the mean noise power density, relative to white noise, within a square band of frequencies.

    spectrum : densities within squares that end at 1/n, 2/n ... 1 of the Nyquist frequency of a colour plane, the last
    1 (`measure.noise_spectrum`); n of 4 or more. share : end of the band over that Nyquist frequency, above 0. Up to 1
    it is interpolated, level below 1/n: that is not resolved.

    Above 1 the samples of the plane lie among those of the other planes of a colour pattern, whose noise is taken to
    be independent of theirs: the spectrum of all together repeats that of one plane with its sampling frequency
    (sampling theorem). Along one axis a band of n periods and a rest r then holds n A(1) +- A(r), and the axes are
    taken as alike and separable, A(v)^2 = the power in the square of v. It is 1 at every whole share. ValueError unless
    share > 0.
    """
    if not share > 0:
        raise ValueError(f"a band of frequencies must be wider than 0, got {share}")
    if share <= 1.0:
        return _density(spectrum, share)
    periods = round(share / 2.0)
    rest = share - 2.0 * periods
    along_one_axis = 2.0 * periods + rest * math.sqrt(_density(spectrum, abs(rest)))
    return (along_one_axis / share) ** 2


def _density(spectrum: Sequence[float], share: float) -> float:
    """Return the density within `share` (0..1) of Nyquist: the cubic in share^2 through the four nearest bands.

    Spectra are even in frequency, so that share^2 is what they are smooth in. Level below the first band.
    """
    bands = len(spectrum)
    first = min(max(math.floor(share * bands) - 2, 0), bands - 4)
    at = max(share, 1.0 / bands) ** 2
    nodes = [((first + k + 1) / bands) ** 2 for k in range(4)]
    total = 0.0
    for k, node in enumerate(nodes):
        others = [other for other in nodes if other != node]
        weight = math.prod((at - other) / (node - other) for other in others)
        total += weight * spectrum[first + k]
    return max(total, 0.0)


def picture_noise_power(
    spectrum: Sequence[float] | None, plane_pitch_px: int, sensor_pixels: float, output_mp: float
) -> float:
    """Return the noise power [relative to white noise] that a picture of `output_mp` megapixels shows.

    The picture keeps the square band up to its own Nyquist frequency: with s = sqrt(sensor pixels / output pixels),
    0.5 / s cycles per sensor pixel, which is plane_pitch_px / s of the Nyquist frequency of a plane whose samples lie
    `plane_pitch_px` apart (monochrome 1, 2 x 2 pattern 2, 6 x 6 pattern 6). 1 for white noise (`spectrum` None) and
    where the picture is no smaller than the sensor: nothing is averaged then.
    """
    reduction = math.sqrt(sensor_pixels / (output_mp * 1e6))
    if spectrum is None or reduction <= 1.0:
        return 1.0
    return relative_power_below(spectrum, plane_pitch_px / reduction)


def picture_scale(sensor_pixels: float, output_mp: float, noise_power: float = 1.0) -> float:
    """Return picture SNR over sample SNR: sqrt(sensor pixels / output pixels / `picture_noise_power`)."""
    return math.sqrt(sensor_pixels / (output_mp * 1e6) / noise_power)
