"""Pixel pitch from the focal-plane resolution that a file records, with checks against the rest of what it
says.

The tag is often wrong: it may refer to the full-size picture of a file scaled afterwards, or be in another
unit than named. A value is used only if nothing else in the file contradicts it. Source: Exif 3.0 (CIPA
DC-008), tags 41486-41488; 36 x 24 mm frame diagonal for the 35 mm focal length (tag 41989).
"""

from __future__ import annotations

import math

# FocalPlaneResolutionUnit: 2 inch (also the default) and 3 cm by the standard; 4 mm and 5 um from memory
_UNIT_UM = {2: 25400.0, 3: 10000.0, 4: 1000.0, 5: 1.0}
PITCH_RANGE_UM = (0.5, 20.0)
_DIAGONAL_RANGE_MM = (2.0, 100.0)  # smallest cameras to medium format
_SAME_AXES = 0.02
_SAME_SIZE = 0.02
_SAME_DIAGONAL = 0.25  # the 35 mm focal length is a whole number, and is given across different aspect ratios
_FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)


def focal_plane_pitch_um(
    x_resolution: float | None,
    y_resolution: float | None,
    unit: float | None,
    *,
    picture: tuple[int, int] | None,
    developed: bool,
    recorded: tuple[float | None, float | None],
    focal_mm: float | None,
    focal_35mm: float | None,
    zoom: float | None,
) -> tuple[float | None, str]:
    """Return (pixel pitch [um], "") or (None, why not).

    `picture` is the size of the file's picture [px], `recorded` the size that its Exif block names (width,
    height), `zoom` the digital zoom ratio (0 or None: not used). A `developed` picture may have been scaled
    with its Exif sizes adapted, so its implied sensor diagonal must also be possible and agree with the
    focal lengths; a raw one may be a crop, but never scaled.
    """
    resolutions = [value for value in (x_resolution, y_resolution) if value is not None]
    if not resolutions or any(not (math.isfinite(value) and value > 0) for value in resolutions):
        return None, "the focal-plane resolution is unusable: it is recorded as zero or less"
    unit_um = _UNIT_UM.get(int(unit) if unit is not None else 2)
    if unit_um is None:
        return None, f"the focal-plane resolution has no known unit ({unit:g})"
    pitches = [unit_um / value for value in resolutions]
    pitch = math.exp(sum(math.log(value) for value in pitches) / len(pitches))
    if max(pitches) > min(pitches) * (1 + _SAME_AXES):
        return None, "the focal-plane resolution differs between width and height"
    if not PITCH_RANGE_UM[0] <= pitch <= PITCH_RANGE_UM[1]:
        return None, f"the focal-plane resolution gives an impossible pixel pitch ({pitch:.3g} um)"
    if picture is None:
        return pitch, ""
    width, height = recorded
    if width and height and max(picture) < max(width, height) * (1 - _SAME_SIZE):
        return None, (
            f"the picture ({picture[0]} x {picture[1]}) is smaller than the one that the focal-plane "
            f"resolution belongs to ({width:g} x {height:g})"
        )
    if zoom is not None and zoom > 1:
        return None, f"the camera enlarged the picture digitally ({zoom:g} x)"
    if not developed:
        return pitch, ""
    diagonal_mm = math.hypot(*picture) * pitch / 1000.0
    if not _DIAGONAL_RANGE_MM[0] <= diagonal_mm <= _DIAGONAL_RANGE_MM[1]:
        return None, f"the focal-plane resolution gives an impossible sensor diagonal ({diagonal_mm:.2g} mm)"
    if focal_mm and focal_35mm:
        expected_mm = _FULL_FRAME_DIAGONAL_MM * focal_mm / focal_35mm
        if abs(math.log(diagonal_mm / expected_mm)) > math.log1p(_SAME_DIAGONAL):
            return None, (
                f"the focal-plane resolution gives a sensor diagonal of {diagonal_mm:.1f} mm, "
                f"the focal lengths one of {expected_mm:.1f} mm"
            )
    return pitch, ""
