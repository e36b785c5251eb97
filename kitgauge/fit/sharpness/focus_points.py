"""Points of sharpness from frames that were focused anew: from the frames that hit the focus, not from their mean."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from kitgauge.fit.sharpness.focus_repeatability import FocusAtFNumber
from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint, combine_edges
from kitgauge.measure.edges.edge_sfr import EdgeMeasurement

BEST_FRAMES = "best-of-refocused"


def refocused_points(
    frames: Sequence[Sequence[EdgeMeasurement]],
    focus: FocusAtFNumber,
    frame_shape: tuple[int, int],
    flags: Sequence[str] = (),
    pitch_um: float | None = None,
) -> list[SharpnessPoint]:
    """Return the points of one f-number as the lens gives them in focus.

    frames : the edges of each frame, in the order that `focus_repeatability` was given. focus : what it found at this
    f-number. The frames that came nearest to the focus are combined as ever; what their MTF50 still lacks of perfect
    focus in the middle of the frame is added everywhere (as for a flat field), and how uncertain that is enters every
    error. `frames` of a point counts the frames behind it; `repeat_stderr` is what the focusing adds to its error; MTF
    at half of Nyquist and the curve stay those of the frames. All points are flagged `best-of-refocused`.
    """
    chosen = [item for item in focus.frames if item.frame in focus.chosen]
    points = combine_edges(
        [frames[item.frame] for item in chosen],
        focus.f_number,
        frame_shape,
        flags=[*flags, BEST_FRAMES],
        pitch_um=pitch_um,
    )
    factor = math.exp(float(np.mean([item.log_gain for item in chosen])))
    doubt = focus.lens_mtf50_stderr / focus.lens_mtf50_cy_per_px
    return [_in_focus(point, factor, doubt) for point in points]


def _in_focus(point: SharpnessPoint, factor: float, doubt: float) -> SharpnessPoint:
    """Return the point with MTF50 in all its units multiplied by `factor`, which has the relative error `doubt`."""

    def error(value: float, stderr: float) -> float:
        return factor * math.hypot(stderr, doubt * value)

    widths, widths_error = point.line_widths_per_picture_height, point.line_widths_per_picture_height_stderr
    return replace(
        point,
        mtf50_cy_per_px=factor * point.mtf50_cy_per_px,
        mtf50_cy_per_px_stderr=error(point.mtf50_cy_per_px, point.mtf50_cy_per_px_stderr),
        lp_per_mm=factor * point.lp_per_mm,
        lp_per_mm_stderr=error(point.lp_per_mm, point.lp_per_mm_stderr),
        line_widths_per_picture_height=factor * widths,
        line_widths_per_picture_height_stderr=error(widths, widths_error),
        repeat_stderr=factor * doubt * point.mtf50_cy_per_px,
        flags=tuple(flag for flag in point.flags if flag != "single-frame"),
    )
