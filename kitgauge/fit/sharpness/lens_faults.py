"""All that a sweep over the f-numbers tells of the lens's faults."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from kitgauge.fit.sharpness.focus_shift import focus_shift_finding
from kitgauge.fit.sharpness.lateral_colour import LateralColour, lateral_colour, lateral_colour_findings
from kitgauge.fit.sharpness.longitudinal_colour import (
    LongitudinalColour,
    longitudinal_colour,
    longitudinal_colour_findings,
)
from kitgauge.fit.sharpness.sharpness_colours import ColourPoint
from kitgauge.fit.sharpness.sharpness_contrasts import Finding
from kitgauge.fit.sharpness.sharpness_findings import find_faults
from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint
from kitgauge.fit.sharpness.target_seen import TargetSeen
from kitgauge.measure.edges.diffraction import GREEN_WAVELENGTH_UM


@dataclass(frozen=True)
class LensFaults:
    """The findings, strongest first, and the fits of colour behind some of them."""

    findings: tuple[Finding, ...] = ()
    lateral: tuple[LateralColour, ...] = ()
    longitudinal: tuple[LongitudinalColour, ...] = ()

    def findings_as_list(self) -> list[dict[str, Any]]:
        """Return the findings as plain values (the contract's `sharpness.findings`)."""
        return [finding.as_dict() for finding in self.findings]

    def colour_as_dict(self) -> dict[str, Any]:
        """Return the fits of colour as plain values, keyed by kind and channel."""
        return {
            "lateral": {fit.channel: fit.as_dict() for fit in self.lateral},
            "longitudinal": {fit.channel: fit.as_dict() for fit in self.longitudinal},
        }


def lens_faults(
    points: Sequence[SharpnessPoint],
    colours: Sequence[ColourPoint] = (),
    *,
    pitch_um: float | None = None,
    target: TargetSeen | None = None,
    frame_shape: tuple[int, int] | None = None,
    wavelength_um: float = GREEN_WAVELENGTH_UM,
) -> LensFaults:
    """Return what the points of all f-numbers, and red and blue at the same edges, tell of the lens's faults.

    `target` is what the target's markers tell (distance, tilt), `frame_shape` (rows, columns). Where one of them or the
    pitch is not known, what needs it is left out.
    """
    magnification = 0.0 if target is None else target.magnification(pitch_um)
    lateral = [] if frame_shape is None else lateral_colour(colours, frame_shape, pitch_um)
    longitudinal = longitudinal_colour(colours, pitch_um, magnification)
    found = find_faults(points, pitch_um, target, wavelength_um, frame_shape)
    found += lateral_colour_findings(lateral) + longitudinal_colour_findings(longitudinal)
    shift = focus_shift_finding(points, longitudinal, pitch_um, magnification, wavelength_um)
    found += [] if shift is None else [shift]
    return LensFaults(
        findings=tuple(sorted(found, key=lambda finding: -abs(finding.z))),
        lateral=tuple(lateral),
        longitudinal=tuple(longitudinal),
    )
