"""From edges to points: one per target patch and edge direction at one f-number, with an honest standard error."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.fit.sharpness.sharpness_patches import MtfCurve, Patch, patches_of
from kitgauge.measure.edges.edge_sfr import EdgeMeasurement
from kitgauge.measure.edges.regions import region_of

Array = NDArray[np.float64]

HALF_NYQUIST_CY_PER_PX = 0.25
_CLEARLY_SOFTER = 0.05  # share of MTF50 ...
_CLEARLY_SOFTER_SIGMA = 5.0  # ... and standard errors by which a frame must fall behind another of its setting


@dataclass(frozen=True)
class SharpnessPoint:
    """MTF50 of one target patch in one edge direction at one f-number, the mean of `frames` frames.

    (`x_norm`, `y_norm`) is the centre of the measured edges, 0 to 1 from the left and top. `orientation` names the
    direction of the edges. `repeat_stderr` is the part of the standard error that only repeated frames show
    (focus, shake), NaN for a single frame. `place` is the patch as the target's markers name it, "" without markers.

    `mtf_half_nyquist` is the MTF at 0.25 cycles/pixel. Line pairs per millimetre on the sensor are NaN where the pixel
    pitch is unknown. Line widths per picture height are those of ISO 12233 (a line pair is two line widths; clause 3,
    from memory), the picture height being the shorter side of the frame, so that turning the camera changes nothing.
    `print_stderr` is how far the edges of a patch scatter beyond their noise (roughness of the print, errors of
    alignment), as an error of this point; it is the same in all frames, so it is no part of the other errors, and NaN
    where no patch has several edges. `curve` is the mean MTF of the point's edges and frames.
    """

    f_number: float
    region: str
    x_norm: float
    y_norm: float
    orientation: str
    channel: str
    mtf50_cy_per_px: float
    mtf50_cy_per_px_stderr: float
    frames: int
    edges: int
    repeat_stderr: float
    flags: tuple[str, ...] = ()
    place: str = ""
    mtf_half_nyquist: float = math.nan
    mtf_half_nyquist_stderr: float = math.nan
    lp_per_mm: float = math.nan
    lp_per_mm_stderr: float = math.nan
    line_widths_per_picture_height: float = math.nan
    line_widths_per_picture_height_stderr: float = math.nan
    print_stderr: float = math.nan
    curve: MtfCurve | None = field(default=None, repr=False, compare=False)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values in the order of the file contract, without the curve."""
        values = {item.name: getattr(self, item.name) for item in fields(self) if item.name != "curve"}
        return {**values, "flags": list(self.flags)}


@dataclass(frozen=True)
class SofterFrame:
    """A frame that is clearly softer than another of the same setting, in edges of one direction."""

    frame: int  # its place in the sequence given
    orientation: str
    softer: float  # share of the other frame's MTF50 that it lacks
    z: float  # in standard errors


def combine_edges(
    frames: Sequence[Sequence[EdgeMeasurement]],
    f_number: float,
    frame_shape: tuple[int, int],
    channel: str = "G",
    flags: Sequence[str] = (),
    pitch_um: float | None = None,
) -> list[SharpnessPoint]:
    """Return the points of one f-number from the edges measured in each of its frames.

    Parameters
    ----------
    frames : per frame, all its edge measurements (refused ones are left out here)
    f_number : exact f-number of these frames
    frame_shape : (rows, columns) of the frame
    channel : colour that was measured
    flags : flags of the frames that hold for every point (`rendered`)
    pitch_um : pixel pitch, for line pairs per millimetre

    Edges of different frames are matched by place. The error of a point is that of its edges' noise plus what
    repeated frames scatter beyond it (variance between frames after DerSimonian and Laird 1986, Controlled Clinical
    Trials 7, 177, pooled over the patches of the f-number, because focus and shake act on the whole frame; for each
    edge direction apart, because shake has a direction). Points with a frame as of `softer_frames` are flagged.
    """
    patches = patches_of(frames)
    directions = {patch.orientation for patch in patches}
    between = {o: _between_frames([patch for patch in patches if patch.orientation == o]) for o in directions}
    spoilt = {found.orientation for found in _softer(patches)}
    printed = {o: _between_edges([patch for patch in patches if patch.orientation == o]) for o in directions}
    rows, columns = frame_shape
    height = min(frame_shape)
    per_mm = math.nan if pitch_um is None else 1000.0 / pitch_um
    points: list[SharpnessPoint] = []
    for patch in patches:
        values, errors = np.array(patch.values), np.array(patch.errors)
        count = values.size
        tau_squared = between[patch.orientation]
        own_flags = {*flags, *patch.flags}
        if count == 1:
            own_flags.add("single-frame")
        elif patch.orientation in spoilt:
            own_flags.add("softer-than-its-twin")
        weight = 1.0 / (errors**2 + tau_squared * values.mean() ** 2)
        mean = float(np.sum(weight * values) / weight.sum())
        error = float(1.0 / math.sqrt(weight.sum()))
        curve = _with_scatter(patch.curve, tau_squared / count)
        half_nyquist, half_nyquist_error = _at_half_nyquist(curve)
        repeat = math.sqrt(tau_squared / count) * mean if count > 1 else math.nan
        x_norm = min(max((patch.x_px + 0.5) / columns, 0.0), 1.0)
        y_norm = min(max((patch.y_px + 0.5) / rows, 0.0), 1.0)
        points.append(
            SharpnessPoint(
                f_number=f_number,
                region=region_of(x_norm, y_norm),
                x_norm=x_norm,
                y_norm=y_norm,
                orientation=patch.orientation,
                channel=channel,
                mtf50_cy_per_px=mean,
                mtf50_cy_per_px_stderr=error,
                frames=count,
                edges=patch.edges,
                repeat_stderr=repeat,
                flags=tuple(sorted(own_flags)),
                place=patch.place,
                mtf_half_nyquist=half_nyquist,
                mtf_half_nyquist_stderr=half_nyquist_error,
                lp_per_mm=mean * per_mm,
                lp_per_mm_stderr=error * per_mm,
                line_widths_per_picture_height=2.0 * mean * height,
                line_widths_per_picture_height_stderr=2.0 * error * height,
                print_stderr=math.sqrt(printed[patch.orientation] / patch.edges) * mean,
                curve=curve,
            )
        )
    return points


def _with_scatter(curve: MtfCurve | None, variance: float) -> MtfCurve | None:
    """Return the curve, its error widened by a scatter of MTF50 between frames of this relative variance.

    Focus and shake stretch the whole curve along the frequency, to first order: dMTF = nu MTF'(nu) dlnMTF50.
    """
    if curve is None or variance <= 0:
        return curve
    slope = curve.frequency_cy_per_px * np.gradient(curve.mtf, curve.frequency_cy_per_px)
    return replace(curve, mtf_stderr=np.sqrt(curve.mtf_stderr**2 + variance * slope**2))


def _at_half_nyquist(curve: MtfCurve | None) -> tuple[float, float]:
    """Return (MTF, standard error) at half the Nyquist frequency, 0.25 cycles/pixel; NaN without a curve."""
    if curve is None:
        return math.nan, math.nan
    frequency = curve.frequency_cy_per_px
    return (
        float(np.interp(HALF_NYQUIST_CY_PER_PX, frequency, curve.mtf)),
        float(np.interp(HALF_NYQUIST_CY_PER_PX, frequency, curve.mtf_stderr)),
    )


def _between_edges(patches: Sequence[Patch]) -> float:
    """Return the relative variance between the edges of a patch beyond noise, pooled; NaN without several edges."""
    spread = [np.array(patch.edge_means).T for patch in patches if len(patch.edge_means) > 1]
    return _excess([(values, errors) for values, errors in spread]) if spread else math.nan


def softer_frames(frames: Sequence[Sequence[EdgeMeasurement]]) -> list[SofterFrame]:
    """Return the frames of one setting that are over 5 % and 5 standard errors softer than another of them.

    One entry per frame at most: the edge direction in which it lacks most.
    """
    worst: dict[int, SofterFrame] = {}
    for found in _softer(patches_of(frames)):
        if found.frame not in worst or found.softer > worst[found.frame].softer:
            worst[found.frame] = found
    return [worst[number] for number in sorted(worst)]


def _softer(patches: Sequence[Patch]) -> list[SofterFrame]:
    """Compare every two frames, direction by direction, over the patches that both show."""
    found: list[SofterFrame] = []
    for orientation in sorted({patch.orientation for patch in patches}):
        logs: list[dict[int, tuple[float, float]]] = [
            {n: (math.log(v), e / v) for n, v, e in zip(patch.numbers, patch.values, patch.errors, strict=True)}
            for patch in patches
            if patch.orientation == orientation
        ]
        numbers = sorted(set().union(*logs))
        for number in numbers:
            behind: list[tuple[float, float]] = []  # log ratio, z
            for other in numbers:
                shared = [(patch[number], patch[other]) for patch in logs if number in patch and other in patch]
                if number == other or not shared:
                    continue
                difference = np.array([one[0] - two[0] for one, two in shared])
                weight = 1.0 / np.array([one[1] ** 2 + two[1] ** 2 for one, two in shared])
                mean = float(weight @ difference / weight.sum())
                behind.append((mean, mean * math.sqrt(weight.sum())))
            mean, z = min(behind, default=(0.0, 0.0))
            if 1.0 - math.exp(mean) > _CLEARLY_SOFTER and z < -_CLEARLY_SOFTER_SIGMA:
                found.append(SofterFrame(number, orientation, 1.0 - math.exp(mean), z))
    return found


def _between_frames(patches: Sequence[Patch]) -> float:
    """Return the relative variance between frames beyond noise, 0 with single frames."""
    return _excess([(np.array(p.values), np.array(p.errors)) for p in patches if len(p.values) > 1])


def _excess(groups: Sequence[tuple[Array, Array]]) -> float:
    """Return the relative variance within groups of (values, errors) beyond these errors (DerSimonian-Laird, pooled).

    0 where there are no groups of two or more.
    """
    excess = freedom = weight_sum = 0.0
    for values, errors in groups:
        relative = values / values.mean()
        weight = (values.mean() / errors) ** 2
        mean = np.sum(weight * relative) / weight.sum()
        excess += float(np.sum(weight * (relative - mean) ** 2))
        freedom += values.size - 1
        weight_sum += float(weight.sum() - np.sum(weight**2) / weight.sum())
    if freedom == 0 or weight_sum == 0:
        return 0.0
    return max(0.0, (excess - freedom) / weight_sum)
