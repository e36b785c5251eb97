"""Everyday scenes for practice: things with texture at several distances, plain walls, and something that moves.

Every frame is the light of a scene through a lens (defocus by the thin-lens disc, a Gaussian for the rest of the lens),
moved by the hands during the exposure, with a disc that crosses the picture at a steady speed; then the sensor. What is
true of each frame comes from the geometry and the path, never from an estimator.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft, special

from kitgauge.exposure import MIDGREY_FRACTION_OF_SATURATION, ev100
from kitgauge.simulate.chart_series import SampledPath
from kitgauge.simulate.dng import RecordedSettings, write_dng
from kitgauge.simulate.hands import draw_motion, sample_motion, streak_of, uniform_path
from kitgauge.simulate.model import SimulatedKit
from kitgauge.simulate.shooting import recorded_settings
from kitgauge.srgb import linear_to_srgb, srgb_to_linear

Picture = NDArray[np.float32]
Spectrum = NDArray[np.complex64]

_BORDER = 96  # pixels beyond the frame on each side, so that what moves in is there
_LENS_SIGMA_PX = 0.55
_WAVELENGTH_UM = 0.53
_MIDGREY = 0.18  # reflectance
_WALLS = (0.55, 0.06)
_WALL_SHARE = 0.28  # of the height
_TINTS = ((1.12, 1.0, 0.8), (0.9, 1.0, 1.1), (1.0, 1.0, 0.92))  # of the things, red green blue
_THING_TINT = (1.25, 0.9, 0.75)
_THING_RADIUS = 0.15  # of the width
_THING_ROW = 0.66  # of the height
_SECONDS_BETWEEN_FRAMES = 8.0


@dataclass(frozen=True)
class EverydayScene:
    """Three things side by side at `distances_m`, walls above at the focus, and a disc that moves along the rows.

    `thing_mm_per_s` is its speed at the distance of focus, 0 for no such thing; `light_ev100` the light.
    """

    distances_m: tuple[float, float, float] = (1.2, 2.0, 4.0)
    focus_m: float = 2.0
    thing_mm_per_s: float = 0.0
    light_ev100: float = 8.0
    seed: int = 1


@dataclass(frozen=True)
class EverydayShot:
    """Exact settings of one frame, and whether it is held by hand."""

    iso: float
    shutter_s: float
    f_number: float
    handheld: bool = False


@dataclass(frozen=True)
class EverydayTruth:
    """What is true of one frame: streaks [px] of what stands still and of the moving thing, whose middle lies at
    `thing_x_px`, `thing_y_px`; blur discs [px] of the three things; `level_stops`: mid-grey against what the meter
    wants."""

    path: Path
    streak_px: float
    thing_streak_px: float
    thing_x_px: float
    thing_y_px: float
    discs_px: tuple[float, ...]
    level_stops: float


def diffraction_mtf(frequency_cy_per_um: NDArray[np.float64], f_number: float) -> NDArray[np.float64]:
    """Return the transfer of a clear circular pupil: (2/pi)(arccos s - s sqrt(1 - s^2)), s = lambda N nu (Goodman,
    Introduction to Fourier Optics, ch. 6, from memory)."""
    s = np.clip(_WAVELENGTH_UM * f_number * frequency_cy_per_um, 0.0, 1.0)
    return np.asarray(2.0 / np.pi * (np.arccos(s) - s * np.sqrt(1.0 - s**2)))


def disc_px(kit: SimulatedKit, f_number: float, distance_m: float, focus_m: float) -> float:
    """Return the diameter [px] of the blur disc of a point, focused elsewhere: f^2 |d - s| / (N d (s - f))."""
    focal = kit.lens.focal_mm * 1e-3
    size_m = focal**2 * abs(distance_m - focus_m) / (f_number * distance_m * (focus_m - focal))
    return size_m * 1e6 / kit.pitch_um


def shoot_everyday(
    kit: SimulatedKit,
    scene: EverydayScene,
    shots: Iterable[EverydayShot],
    folder: str | Path,
    *,
    seed: int,
    jpeg: bool = False,
    suffix: str = "",
) -> list[EverydayTruth]:
    """Take the frames into `folder` (made if need be) as DNG, or as developed JPEG; return what is true of each.

    Raises ResultsError if a file cannot be written.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    still = _things(kit.shape, scene.seed)
    thing = _disc_thing(kit.shape, scene.seed)
    kit.sensor.fixed_pattern(kit.shape)
    truth = []
    taken_at = kit.first_taken_at
    for number, shot in enumerate(shots, start=1):
        rng = np.random.default_rng([seed, number])
        path = _hands(kit, shot, rng)
        travel = _travel_px(kit, scene, shot)
        x = kit.shape[1] * float(rng.uniform(0.3, 0.7))
        y = kit.shape[0] * _THING_ROW
        discs = tuple(disc_px(kit, shot.f_number, d, scene.focus_m) for d in scene.distances_m)
        shift = rng.normal(0.0, kit.framing_px, 2) if shot.handheld else rng.normal(0.0, 0.3, 2)
        light = _light(
            kit, still, thing if scene.thing_mm_per_s else None, discs, path, travel, (x, y), shift, shot.f_number
        )
        stops = scene.light_ev100 - ev100(shot.f_number, shot.shutter_s, shot.iso)
        light *= np.float32(MIDGREY_FRACTION_OF_SATURATION / _MIDGREY * 2.0**stops)
        name = f"IMG{suffix}_{number:04d}.{'JPG' if jpeg else 'DNG'}"
        recorded = recorded_settings(kit, shot, taken_at)
        samples = _samples(kit, light, shot, rng)
        if jpeg:
            _write_jpeg(folder / name, kit, samples, recorded)
        else:
            write_dng(
                folder / name, samples, kit.sensor.pattern, kit.sensor.black_dn, kit.sensor.white_dn, recorded,
                compression=kit.compression,
            )  # fmt: skip
        own = streak_of(path).streak_px
        along = streak_of(_added(path, uniform_path(travel, 0.0))).streak_px if travel else own
        truth.append(EverydayTruth(folder / name, own, along, x + shift[0], y + shift[1], discs, stops))
        taken_at += timedelta(seconds=_SECONDS_BETWEEN_FRAMES)
    return truth


def _hands(kit: SimulatedKit, shot: EverydayShot, rng: np.random.Generator) -> SampledPath:
    if not shot.handheld:
        return uniform_path(0.0, 0.0)
    motion = draw_motion(kit.hands.scaled(kit.technique), 1, rng)
    return sample_motion(motion, shot.shutter_s, kit.lens.focal_mm, kit.pitch_um)


def _travel_px(kit: SimulatedKit, scene: EverydayScene, shot: EverydayShot) -> float:
    focal = kit.lens.focal_mm * 1e-3
    magnification = focal / (scene.focus_m - focal)
    return scene.thing_mm_per_s * magnification * 1e3 / kit.pitch_um * shot.shutter_s


def _added(a: SampledPath, b: SampledPath) -> SampledPath:
    """Return the sum of two independent movements."""
    return SampledPath(
        (a.x_px[:, None] + b.x_px[None, :]).ravel(),
        (a.y_px[:, None] + b.y_px[None, :]).ravel(),
        (a.weight[:, None] * b.weight[None, :]).ravel(),
    )


def _texture(shape: tuple[int, int], rng: np.random.Generator) -> Picture:
    """Return ellipses of many sizes, reflectance 0.05 to 0.6."""
    picture = np.full(shape, 0.25, np.float32)
    for _ in range(shape[0] * shape[1] // 250):
        middle = (int(rng.integers(0, shape[1])), int(rng.integers(0, shape[0])))
        axes = (int(2 + rng.exponential(5.0)), int(2 + rng.exponential(5.0)))
        cv2.ellipse(
            picture, middle, axes, float(rng.uniform(0, 180)), 0, 360, float(rng.uniform(0.05, 0.6)), -1, cv2.LINE_AA
        )
    return picture


def _canvas(shape: tuple[int, int]) -> tuple[int, int]:
    """Return rows and columns of the frame with its border, of a size that transforms quickly."""
    rows, columns = (int(fft.next_fast_len(side + 2 * _BORDER, real=True)) for side in shape)
    return rows, columns


def _spectra(colours: Picture, cover: Picture) -> list[Spectrum]:
    """Return the spectra of red, green, blue and cover of a thing."""
    pictures = [*(colours[..., channel] * cover for channel in range(3)), cover]
    return [np.asarray(fft.rfft2(picture), dtype=np.complex64) for picture in pictures]


@lru_cache(maxsize=2)
def _things(shape: tuple[int, int], seed: int) -> tuple[list[Spectrum], ...]:
    """Return the spectra of the walls and of the three things."""
    rng = np.random.default_rng([seed, 1])
    rows, columns = _canvas(shape)
    wall_rows = _BORDER + round(_WALL_SHARE * shape[0])
    walls = np.full((rows, columns), _WALLS[0], np.float32)
    walls[:, columns // 2 :] = _WALLS[1]
    cover = np.zeros((rows, columns), np.float32)
    cover[:wall_rows] = 1.0
    layers = [_spectra(np.repeat(walls[..., None], 3, axis=2), cover)]
    edges = [0, _BORDER + shape[1] // 3, _BORDER + 2 * shape[1] // 3, columns]
    for k, tint in enumerate(_TINTS):
        grey = _texture((rows, columns), rng)
        cover = np.zeros((rows, columns), np.float32)
        cover[wall_rows:, edges[k] : edges[k + 1]] = 1.0
        layers.append(_spectra(grey[..., None] * np.array(tint, np.float32), cover))
    return tuple(layers)


@lru_cache(maxsize=2)
def _disc_thing(shape: tuple[int, int], seed: int) -> list[Spectrum]:
    """Return the spectra of the moving thing in the middle of a picture."""
    rng = np.random.default_rng([seed, 2])
    rows, columns = _canvas(shape)
    cover = np.zeros((rows, columns), np.float32)
    radius = round(_THING_RADIUS * shape[1])
    cv2.circle(cover, (columns // 2, rows // 2), radius, 1.0, -1, cv2.LINE_AA)
    grey = 0.1 + 1.2 * _texture((rows, columns), rng)
    return _spectra(grey[..., None] * np.array(_THING_TINT, np.float32), cover)


def _light(
    kit: SimulatedKit,
    still: Sequence[Sequence[Spectrum]],
    thing: Sequence[Spectrum] | None,
    discs: Sequence[float],
    path: SampledPath,
    travel_px: float,
    place: tuple[float, float],
    shift: NDArray[np.float64],
    f_number: float,
) -> Picture:
    """Return reflectance as the sensor sees it, (row, column, 3)."""
    rows, columns = _canvas(kit.shape)
    fy = np.asarray(np.fft.fftfreq(rows)[:, None], dtype=np.float64)
    fx = np.asarray(np.fft.rfftfreq(columns)[None, :], dtype=np.float64)
    lens = np.exp(-2.0 * np.pi**2 * _LENS_SIGMA_PX**2 * (fy**2 + fx**2))
    lens *= diffraction_mtf(np.hypot(fx, fy) / kit.pitch_um, f_number)
    hands = _characteristic(path, fx, fy) * np.exp(-2j * np.pi * (fx * shift[0] + fy * shift[1]))
    transfers = [(lens * _disc_transfer(size, fx, fy) * hands).astype(np.complex64) for size in (0.0, *discs)]
    total = np.zeros((rows, columns, 3), np.float32)
    for channel in range(3):
        parts = [layer[channel] * transfer for layer, transfer in zip(still, transfers, strict=True)]
        total[..., channel] = fft.irfft2(sum(parts), s=(rows, columns))
    if thing is not None:
        away = place[0] + _BORDER - columns // 2, place[1] + _BORDER - rows // 2
        moving = lens * hands * np.exp(-2j * np.pi * (fx * away[0] + fy * away[1])) * np.sinc(fx * travel_px)
        *colours, hidden = (fft.irfft2(layer * moving.astype(np.complex64), s=(rows, columns)) for layer in thing)
        total *= 1.0 - np.clip(hidden, 0.0, 1.0)[..., None]
        total += np.stack(colours, axis=-1)
    return np.clip(total[_BORDER : _BORDER + kit.shape[0], _BORDER : _BORDER + kit.shape[1]], 0.0, None)


def _characteristic(path: SampledPath, fx: NDArray[np.float64], fy: NDArray[np.float64]) -> NDArray[np.complex128]:
    down = np.exp(-2j * np.pi * fy * path.y_px[None, :]) * path.weight
    return np.asarray(down @ np.exp(-2j * np.pi * path.x_px[:, None] * fx))


def _disc_transfer(diameter_px: float, fx: NDArray[np.float64], fy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the transfer of an even disc: 2 J1(x) / x, x = pi D f (Goodman, ch. 6, from memory)."""
    x = np.pi * diameter_px * np.hypot(fx, fy)
    return np.where(x < 1e-6, 1.0, 2.0 * special.j1(x) / np.maximum(x, 1e-6))


def _samples(kit: SimulatedKit, light: Picture, shot: EverydayShot, rng: np.random.Generator) -> NDArray[np.uint16]:
    """Return what the sensor gives: `light` is a share of the labelled range, by colour."""
    pattern = kit.sensor.pattern
    electrons = np.empty(light.shape[:2], np.float32)
    channels = {"R": 0, "G": 1, "G1": 1, "G2": 1, "B": 2}
    for row, names in enumerate(pattern):
        for column, name in enumerate(names):
            where = slice(row, None, len(pattern)), slice(column, None, len(names))
            electrons[where] = light[..., channels[name]][where]
    electrons *= np.float32(kit.sensor.labelled_range_e(shot.iso))
    return kit.sensor.expose(electrons, shot.iso, rng, exposure_s=shot.shutter_s)


def _write_jpeg(path: Path, kit: SimulatedKit, samples: NDArray[np.uint16], recorded: RecordedSettings) -> None:
    """Develop plainly: black and white balance, interpolation between samples of a colour, sRGB; mid-grey at 118."""
    from PIL import Image

    from kitgauge.atomic import atomic_file

    black = np.tile(np.array(kit.sensor.black_dn), (samples.shape[0] // 2 + 1, samples.shape[1] // 2 + 1))
    signal = samples - black[: samples.shape[0], : samples.shape[1]].astype(np.float32)
    signal = np.clip(signal / (kit.sensor.white_dn - 600.0), 0.0, 1.0)
    colours = []
    kernel = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]], np.float32)
    for wanted in ("R", "G", "B"):
        mask = np.array([[name[0] == wanted for name in names] for names in kit.sensor.pattern], np.float32)
        mask = np.tile(mask, (-(-samples.shape[0] // 2), -(-samples.shape[1] // 2)))
        mask = mask[: samples.shape[0], : samples.shape[1]]
        filled = cv2.filter2D(signal * mask, -1, kernel) / cv2.filter2D(mask, -1, kernel)
        colours.append(filled / kit.sensor.colour_response[wanted])
    grey = float(srgb_to_linear(np.array(118.0 / 255.0))) / MIDGREY_FRACTION_OF_SATURATION
    linear = np.clip(np.stack(colours, axis=-1) * grey, 0.0, 1.0)
    code = linear_to_srgb(linear)
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = recorded.make, recorded.model
    inner = exif.get_ifd(0x8769)
    inner[0x829A], inner[0x829D], inner[0x8827] = recorded.shutter_s, recorded.f_number, round(recorded.iso or 0)
    inner[0x920A], inner[0xA405] = recorded.focal_mm, round(recorded.focal_35mm or 0)
    if recorded.taken_at is not None:
        inner[0x9003] = recorded.taken_at.strftime("%Y:%m:%d %H:%M:%S")
    with atomic_file(path) as file:
        Image.fromarray(np.rint(255.0 * code).astype(np.uint8)).save(file, "JPEG", quality=92, exif=exif)
