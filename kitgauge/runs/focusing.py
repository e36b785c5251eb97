"""What a sharpness run makes of frames focused anew one by one: points, repeatability, the limit of focusing."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from typing import Any

from kitgauge.exposure import exact_f_number
from kitgauge.fit.sharpness.focus_points import refocused_points
from kitgauge.fit.sharpness.focus_repeatability import FocusRepeatability, focus_repeatability
from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint, combine_edges
from kitgauge.limits.focus_limit import focus_limit
from kitgauge.limits.model import Limit
from kitgauge.measure.edges.edge_sfr import EdgeMeasurement
from kitgauge.runs.context import RunContext

Edges = Mapping[str, Sequence[EdgeMeasurement]]  # file -> its edges


def files_by_f_number(context: RunContext, files: Collection[str]) -> dict[float, list[str]]:
    """Return those of `files` that serve as edge frames, per exact f-number (rising), in the order of capture."""
    groups: dict[float, list[str]] = defaultdict(list)
    for record in context.used("edge"):
        if record.f_number is not None and record.file in files:
            groups[exact_f_number(record.f_number)].append(record.file)
    return dict(sorted(groups.items()))


def focusing_of(
    context: RunContext, edges: Edges, good: Collection[str], shape: tuple[int, int] | None
) -> FocusRepeatability | None:
    """Return the repeatability of focusing, None where the protocol does not have each frame focused, or too few are.

    `good` are the files in use that were measured.
    """
    if not context.protocol.refocused or shape is None:
        return None
    frames = {
        f_number: [edges[file] for file in files]
        for f_number, files in files_by_f_number(context, [file for file in good if file in edges]).items()
    }
    pitch_um = context.kit.pixel_pitch_um
    return focus_repeatability(frames, shape, pitch_um, lost_means=context.criteria.focus_loss)


def points_at(
    frames: Sequence[Sequence[EdgeMeasurement]],
    f_number: float,
    shape: tuple[int, int],
    flags: Sequence[str],
    pitch_um: float | None,
    focusing: FocusRepeatability | None,
) -> list[SharpnessPoint]:
    """Return the points of one exact f-number: from all frames, or where each was focused anew from those that hit it.

    `frames` in the order of capture, as `focusing_of` took them.
    """
    focus = None if focusing is None else focusing.at(f_number)
    if focus is None:
        return combine_edges(frames, f_number, shape, flags=flags, pitch_um=pitch_um)
    return refocused_points(frames, focus, shape, flags, pitch_um)


def focusing_curves(focusing: FocusRepeatability | None, files: Mapping[float, Sequence[str]]) -> dict[str, Any] | None:
    """Return `focusing` of the curves file: as fitted, each frame by its file name. `files` as `files_by_f_number`."""
    if focusing is None:
        return None
    found = focusing.as_dict()
    for item in found["f_numbers"]:
        names = files.get(item["f_number"], ())
        for frame in item["frames"]:
            frame["file"] = names[frame["frame"]] if frame["frame"] < len(names) else None
    return found


def focusing_limits(context: RunContext, focusing: FocusRepeatability | None) -> list[Limit]:
    """Return the limit of focusing, none where it was not measured."""
    if focusing is None:
        return []
    return [focus_limit(focusing, context.criteria, context.kit.lens, context.kit.focal_mm)]


def focusing_missing(context: RunContext, focusing: FocusRepeatability | None) -> list[str]:
    """Return why a run of frames focused one by one gives no repeatability, nothing where it does."""
    if focusing is not None or not context.protocol.refocused:
        return []
    return ["repeatability of focusing: too few usable frames; needed: three more than f-numbers, two or more at each"]
