"""Pixel pitch of a frame and where it is known from."""

from __future__ import annotations

import importlib
from pathlib import Path

from kitgauge.errors import UsageError
from kitgauge.frames.exif_values import body_name
from kitgauge.frames.focal_plane import PITCH_RANGE_UM
from kitgauge.frames.metadata import FrameSettings

_CONTRADICTION = 0.02


def pixel_pitch_um(settings: FrameSettings | float | None, given: float | None = None) -> tuple[float | None, str]:
    """Return (pixel pitch [um] or None, where it comes from in words).

    `settings` are a frame's, or only the pitch that its metadata gave (then the body cannot be looked up).

    The order: the value given by hand, the focal-plane resolution of the metadata, the sensor size of a known
    body (from lensfun's data, where the optional package lensfunpy is installed). Without any, results are in
    pixels only. A given value that the metadata contradict is used, and the words say so.

    Raises
    ------
    UsageError : a pitch given by hand that no camera has
    """
    if given is not None and not PITCH_RANGE_UM[0] <= given <= PITCH_RANGE_UM[1]:
        raise UsageError(
            "no camera has such a pixel pitch",
            where="--pitch-um",
            got=f"{given:g} um",
            needed=f"{PITCH_RANGE_UM[0]:g} to {PITCH_RANGE_UM[1]:g} um",
            fix="give the sensor's width in micrometres divided by its pixels across",
        )
    if not isinstance(settings, FrameSettings):
        settings = FrameSettings(Path(), pixel_pitch_um=settings)
    found, source = settings.pixel_pitch_um, "metadata (focal-plane resolution)"
    if found is None:
        found, source = _known_body(settings), "sensor size of the body (lensfun)"
    if given is not None:
        differs = found is not None and abs(given / found - 1) > _CONTRADICTION
        return given, "given (--pitch-um)" + (f"; {source} says {found:.3g} um" if differs else "")
    if found is None:
        reason = settings.missing.get("pixel_pitch_um", "the file does not tell it")
        return None, f"unknown: {reason}; give --pitch-um"
    return found, source


def _known_body(settings: FrameSettings) -> float | None:
    """Return the pitch from the crop factor that lensfun has for the body, None without one."""
    if settings.body is None or not settings.width_px or not settings.height_px:
        return None
    try:
        lensfunpy = importlib.import_module("lensfunpy")
    except ImportError:
        return None
    wanted = settings.body.casefold()
    crop_factors = {
        float(camera.crop_factor)
        for camera in lensfunpy.Database().cameras
        if body_name(camera.maker, camera.model).casefold() == wanted
    }
    if len(crop_factors) != 1:
        return None
    diagonal_um = 1000.0 * (36.0**2 + 24.0**2) ** 0.5 / crop_factors.pop()
    pitch = diagonal_um / (settings.width_px**2 + settings.height_px**2) ** 0.5
    return pitch if PITCH_RANGE_UM[0] <= pitch <= PITCH_RANGE_UM[1] else None
