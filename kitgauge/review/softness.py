"""Whether a frame is soft, by what, by how much, against what this lens can do.

The spread of edges is compared with that of a sharp edge: from the kit's measured MTF50 at this f-number where there is
one (a normal spread s has MTF50 = sqrt(2 ln 2) / (2 pi s)), else with what is usual, widened by diffraction.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

import numpy as np

from kitgauge.frames.mosaic import Mosaic
from kitgauge.measure.blur.natural_blur import NaturalBlur, judge_blur, kernel_size, within_places
from kitgauge.measure.blur.natural_edges import NaturalEdges, natural_edges
from kitgauge.measure.noise.scene_noise import SceneNoise
from kitgauge.planner.basis import MEASURED, PRACTICE, Basis

Cause = Literal["sharp", "motion", "defocus", "motion-and-defocus", "sharp-in-part", "noise", "cannot-tell"]

NORMAL_MTF50 = math.sqrt(2.0 * math.log(2.0)) / (2.0 * math.pi)  # spread [px] times MTF50 [cycles/pixel]
DIFFRACTION_MTF50 = 0.404  # times cut-off frequency: published/facts.md's closed form at one half
WAVELENGTH_UM = 0.55
# Spread of a sharp edge at 100 %, lens, filter and pixel together: usual, and the most that passes for sharp [px]
# (common practice, no source). Developed pictures differ by their sharpening and noise reduction.
USUAL_SPREAD_PX, SHARP_SPREAD_PX, SHARP_RENDERED_SPREAD_PX = 0.75, 1.1, 1.5
_MEASURED_SHARP = 1.4  # times the spread that was measured: corners and focusing are never as good
# Variance [DN^2] of one step of an 8-bit sRGB code in linear light 0..65535, as a + b * level: (65535 / 12.92 / 255)^2
# in the linear part, and the slope of the curve above it. Steps of one code are sharp edges of no thing.
_CODE_STEP_DN2, _CODE_STEP_PER_DN = 400.0, 5.0
_FAINT_SNR = 4.0  # of a sample at the median level, under which edges drown


@dataclass(frozen=True)
class SharpReference:
    """Spread [px] of a sharp edge, `usual_px`, and the most that counts as sharp, `sharp_px`; and how it is known."""

    usual_px: float
    sharp_px: float
    basis: Basis
    text: str


@dataclass(frozen=True)
class Softness:
    """What the edges of one frame tell.

    `cause`; `certainty` 0 to 1, the share of frames made of the same parts drawn anew in which it holds; `streak_px`
    along `direction_deg` (0 along the rows, 90 down the columns) and `disc_px`, the diameter of the defocus disc, with
    standard errors, None where not measured; `part_cause`: what blurred the soft parts of a frame that is sharp in
    part. `sharp_places`, `soft_places`: (x, y) shares of the frame. `why`: what kept it from being told.
    """

    cause: Cause
    certainty: float
    edges: int
    reference: SharpReference
    streak_px: float | None = None
    streak_stderr_px: float | None = None
    direction_deg: float | None = None
    disc_px: float | None = None
    disc_stderr_px: float | None = None
    spread_px: float | None = None
    part_cause: str | None = None
    sharp_places: tuple[tuple[float, float], ...] = ()
    soft_places: tuple[tuple[float, float], ...] = ()
    why: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return asdict(self)


def sharp_reference(
    mtf50_cy_per_px: float | None, f_number: float | None, pitch_um: float | None, *, rendered: bool, streak_px: float
) -> SharpReference:
    """Return what counts as sharp: measured (`mtf50_cy_per_px` at this f-number), else usual with diffraction.

    `streak_px`: the longest streak that counts as sharp in the picture as used; what is no softer passes too.
    """
    passes = streak_px / math.sqrt(12.0)
    if mtf50_cy_per_px is not None and not rendered:
        spread = NORMAL_MTF50 / mtf50_cy_per_px
        text = f"MTF50 {mtf50_cy_per_px:.3f} cycles/pixel measured at this f-number"
        return SharpReference(spread, max(_MEASURED_SHARP * spread, math.hypot(spread, passes)), MEASURED, text)
    diffraction = 0.0
    text = "this lens was not measured"
    if f_number is not None and pitch_um is not None:
        diffraction = NORMAL_MTF50 * WAVELENGTH_UM * f_number / (DIFFRACTION_MTF50 * pitch_um)
        text += "; what is usual, with diffraction"
    usual = math.hypot(USUAL_SPREAD_PX, diffraction)
    most = math.hypot(SHARP_RENDERED_SPREAD_PX if rendered else SHARP_SPREAD_PX, diffraction)
    return SharpReference(usual, max(most, math.hypot(usual, passes)), PRACTICE, text)


def edges_of(mosaic: Mosaic, noise: SceneNoise | None) -> NaturalEdges:
    """Return the natural edges of a frame's green samples."""
    read, per_dn = (1e-9, 0.0) if noise is None else (noise.read_dn2, noise.per_dn)
    if mosaic.rendered:
        read, per_dn = read + _CODE_STEP_DN2, per_dn + _CODE_STEP_PER_DN
    return natural_edges(mosaic.signal(), mosaic.green_mask(), mosaic.saturated(), (read, per_dn))


def softness(
    edges: NaturalEdges, shape: tuple[int, int], reference: SharpReference, snr_median: float | None
) -> Softness:
    """Return the verdict on a frame of `shape` (rows, columns) from its edges.

    `snr_median`: signal-to-noise ratio of a sample at the median level, None unknown: too noisy a frame shows few
    edges because of that.
    """
    blur = judge_blur(edges, shape, reference.sharp_px)
    told = Softness(
        blur.verdict, blur.certainty, blur.edges, reference,
        spread_px=_known(blur.narrowest_px), sharp_places=blur.sharp_places, soft_places=blur.soft_places, why=blur.why,
    )  # fmt: skip
    if blur.verdict in ("motion", "motion-and-defocus"):
        told = _with_streak(told, blur, reference)
    if blur.verdict in ("defocus", "motion-and-defocus"):
        told = _with_disc(told, blur, reference)
    if blur.verdict == "sharp-in-part":
        inside = within_places(edges, shape, blur.soft_places)
        part = judge_blur(inside, shape, reference.sharp_px)
        told = replace(told, part_cause=part.verdict if part.verdict != "sharp-in-part" else "cannot-tell")
        if part.verdict in ("motion", "motion-and-defocus"):
            told = _with_streak(told, part, reference)
        if part.verdict in ("defocus", "motion-and-defocus"):
            told = _with_disc(told, part, reference)
        elif part.verdict == "cannot-tell" and inside.count:
            told = replace(told, spread_px=_typical_spread(inside))
    if blur.verdict == "cannot-tell" and snr_median is not None and snr_median < _FAINT_SNR:
        told = replace(told, cause="noise", why=f"noise hides the edges: {blur.why}")
    return told


def _with_streak(told: Softness, blur: NaturalBlur, reference: SharpReference) -> Softness:
    """Motion lies along the widest direction, beyond what blurs the other one."""
    beside = max(blur.narrowest_px, reference.usual_px) if blur.verdict == "motion-and-defocus" else blur.narrowest_px
    beside = min(max(beside, 0.3), blur.widest_px * 0.95)
    length = kernel_size(blur.widest_px, beside, "motion")
    slope = blur.widest_px / max(length / math.sqrt(12.0), 1e-6)  # d(length) = sqrt(12) s ds / sqrt(s^2 - s0^2)
    error = math.sqrt(12.0) * slope * blur.widest_stderr_px
    return replace(told, streak_px=length, streak_stderr_px=_known(error), direction_deg=blur.direction_deg)


def _with_disc(told: Softness, blur: NaturalBlur, reference: SharpReference) -> Softness:
    spread = (
        blur.narrowest_px if blur.verdict == "motion-and-defocus" else math.sqrt(blur.widest_px * blur.narrowest_px)
    )
    diameter = kernel_size(spread, min(reference.usual_px, 0.95 * spread), "disc")
    slope = spread / max(diameter / 4.0, 1e-6)
    return replace(told, disc_px=diameter, disc_stderr_px=_known(4.0 * slope * blur.narrowest_stderr_px))


def _typical_spread(inside: NaturalEdges) -> float:
    """Parts at several distances share no disc: the median of their edges' spreads stands for them."""
    return float(np.median(np.sqrt(np.maximum(inside.variance_px2, 0.01))))


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None
