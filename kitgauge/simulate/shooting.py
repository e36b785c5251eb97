"""Shoot a shot list with a simulated kit: settings and light as a careful photographer would set them, DNG
files out.

Flats, charts and scenes are lit so that what the light lands on the sensor is a stated share of saturation at
the shot's settings (a lamp is moved, not the dial); a scene has one fixed light, so that its settings decide
the exposure. All randomness of a frame comes from its own seed, drawn from the run's seed, so that files do
not depend on the number of workers.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from kitgauge.errors import ResultsError
from kitgauge.exposure import exact_shutter_s, nominal_f_number, nominal_iso, nominal_shutter_s
from kitgauge.simulate.chart import Pose, render
from kitgauge.simulate.chart_series import SampledPath
from kitgauge.simulate.dng import RecordedSettings, write_dng
from kitgauge.simulate.hands import TrueStreak, draw_motion, sample_motion, still_motion, streak_of, uniform_path
from kitgauge.simulate.model import SimulatedKit
from kitgauge.simulate.sensor import shading

# Metered settings where a shot leaves one free; exact values
_FREE_ISO = 200.0
_FREE_F_NUMBER = 2.0 ** (5 / 2)
_FLAT_F_NUMBER = 8.0
_METERED_SHUTTER_S = 1.0 / 64.0  # at the two above
_FLAT_METERED = (100.0, 1.0 / 16.0, 8.0)  # ISO, shutter time, f-number that fit the flats' light
_TRIPOD_SHIFT_PX = 0.3
_SECONDS_BETWEEN_FRAMES, _SECONDS_BETWEEN_SHOTS = 2.0, 8.0
_SUBJECT_TURN = 0.35  # standard deviation of the subject's speed, relative

CHART_ROLES = ("edge", "tripod", "handheld", "subject", "scene")
ROLES = ("flat", "dark", *CHART_ROLES)


class ShotLike(Protocol):
    """What is needed of a shot: exact settings, None where the photographer is free."""

    @property
    def step(self) -> str:
        """Readable label."""

    @property
    def role(self) -> str:
        """One of `ROLES`."""

    @property
    def frames(self) -> int:
        """Number of frames."""

    @property
    def iso(self) -> float | None:
        """Exact ISO."""

    @property
    def shutter_s(self) -> float | None:
        """Exact shutter time [s]."""

    @property
    def f_number(self) -> float | None:
        """Exact f-number."""


@dataclass(frozen=True)
class PlannedFrame:
    """One frame before it is taken: exact settings, the light's level, and everything random but the sensor's
    noise.

    `level` is the expected share of green saturation on bright ground in the middle of the frame; it may
    exceed 1. `light` is "daylight" or "tungsten"; `dark_rate` what the sensor's dark current is multiplied by;
    `sensor_um` where the sensor lies along the axis, towards the scene positive: a lens focused nearer than the target
    leaves the sensor behind the image (negative).
    """

    file: str
    step: str
    role: str
    iso: float
    shutter_s: float
    f_number: float
    taken_at: datetime
    level: float
    pose: Pose
    path: SampledPath | None
    noise_seed: np.random.SeedSequence
    light: str = "daylight"
    dark_rate: float = 1.0
    sensor_um: float = 0.0

    @property
    def streak(self) -> TrueStreak | None:
        """The true streak of this frame, None where nothing moves."""
        return None if self.path is None else streak_of(self.path)


def _settings(kit: SimulatedKit, shot: ShotLike) -> tuple[float, float, float, float]:
    """Return exact (ISO, shutter time, f-number) and the factor of light by the dial's rounding."""
    dark, flat = shot.role == "dark", shot.role == "flat"
    metered_iso, metered_s, metered_f = _FLAT_METERED if flat else (_FREE_ISO, _METERED_SHUTTER_S, _FREE_F_NUMBER)
    iso = shot.iso or (kit.iso_range[0] if dark or flat else _FREE_ISO)
    f_number = shot.f_number or (_FLAT_F_NUMBER if dark or flat else _FREE_F_NUMBER)
    if shot.shutter_s is not None:
        return iso, shot.shutter_s, f_number, 1.0
    if dark:
        return iso, kit.shutter_range_s[0], f_number, 1.0
    wanted = metered_s * (metered_iso / iso) * (f_number / metered_f) ** 2
    shutter_s = exact_shutter_s(_on_dial(wanted))
    fastest, slowest = kit.shutter_range_s
    if not fastest <= shutter_s <= slowest:  # past the dial's end the lamp is moved
        return iso, min(max(shutter_s, fastest), slowest), f_number, 1.0
    return iso, shutter_s, f_number, shutter_s / wanted


def _on_dial(shutter_s: float) -> float:
    """Return the nearest third of a stop from 1 s."""
    return float(2.0 ** (round(3.0 * math.log2(shutter_s)) / 3.0))


def _level(kit: SimulatedKit, shot: ShotLike, iso: float, shutter_s: float, f_number: float, rounding: float) -> float:
    if shot.role == "dark":
        return 0.0
    if shot.role == "flat":
        return _flat_level(kit, shot) * rounding
    if shot.role == "scene":
        exposure = shutter_s * iso / f_number**2
        return kit.chart_level * exposure / (_METERED_SHUTTER_S * _FREE_ISO / _FREE_F_NUMBER**2)
    return kit.chart_level * rounding


def _flat_level(kit: SimulatedKit, shot: ShotLike) -> float:
    """Return the kit's own level where the shot allows it, else the middle (in stops) of what the shot asks for."""
    asked = getattr(shot, "saturation", None)
    if asked is None or asked[0] <= kit.flat_level <= asked[1]:
        return kit.flat_level
    return math.sqrt(asked[0] * asked[1])


def _movement(
    kit: SimulatedKit, role: str, shutter_s: float, rng: np.random.Generator
) -> tuple[Pose, SampledPath | None]:
    if role in ("handheld", "scene"):
        x, y = rng.normal(0.0, kit.framing_px, 2)
        pose = Pose(float(x), float(y), float(rng.normal(0.0, kit.framing_deg)))
        hands = kit.hands.scaled(kit.technique)
        motion = draw_motion(hands, 1, rng, stabiliser=kit.stabiliser, knock=kit.shutter_knock)
        reach_px = math.hypot(*kit.shape) / 2.0
        return pose, sample_motion(motion, shutter_s, kit.lens.focal_mm, kit.pitch_um, reach_px)
    x, y = rng.normal(0.0, _TRIPOD_SHIFT_PX, 2)
    pose = Pose(float(x), float(y))
    if role == "subject":
        speed = kit.subject_speed_px_per_s * abs(1.0 + _SUBJECT_TURN * float(rng.standard_normal()))
        return pose, uniform_path(speed * shutter_s, 0.0)
    if kit.shutter_knock is not None:
        return pose, sample_motion(still_motion(kit.shutter_knock), shutter_s, kit.lens.focal_mm, kit.pitch_um)
    return pose, None


def _sensor_um(kit: SimulatedKit, focus: str, number: int, frames: int, rng: np.random.Generator) -> float:
    """Return where the sensor lies in frame `number` of a shot, by how the shot is focused."""
    if focus == "each-frame":
        return float(rng.normal(0.0, kit.focus_error_um))
    if focus == "stepped":
        return (number - 0.5 * (frames - 1)) * kit.focus_step_um + kit.focus_start_um
    return 0.0


def plan_frames(kit: SimulatedKit, shots: Iterable[ShotLike], *, seed: int) -> list[PlannedFrame]:
    """Return every frame of the shots, in order, as `shoot_protocol` with the same seed will take it.

    Raises ResultsError for a role that cannot be simulated.
    """
    shots = list(shots)
    seeds = iter(np.random.SeedSequence(seed).spawn(sum(shot.frames for shot in shots)))
    frames: list[PlannedFrame] = []
    taken_at = kit.first_taken_at
    for shot in shots:
        if shot.role not in ROLES:
            raise ResultsError("this role cannot be simulated", where=shot.step, got=shot.role, needed=", ".join(ROLES))
        iso, shutter_s, f_number, rounding = _settings(kit, shot)
        level = _level(kit, shot, iso, shutter_s, f_number, rounding)
        for number in range(shot.frames):
            scene_seed, noise_seed = next(seeds).spawn(2)
            rng = np.random.default_rng(scene_seed)
            drift = 1.0 + kit.light_drift * float(rng.standard_normal())
            pose, path = (Pose(), None) if shot.role in ("flat", "dark") else _movement(kit, shot.role, shutter_s, rng)
            sensor_um = _sensor_um(kit, getattr(shot, "focus", "once"), number, shot.frames, rng)
            frames.append(
                PlannedFrame(
                    file=f"IMG_{len(frames) + 1:04d}.DNG",
                    step=shot.step,
                    role=shot.role,
                    iso=iso,
                    shutter_s=shutter_s,
                    f_number=f_number,
                    taken_at=taken_at,
                    level=level * drift,
                    pose=pose,
                    path=path,
                    noise_seed=noise_seed,
                    light=getattr(shot, "light", None) or "daylight",
                    dark_rate=1.0 + kit.warming_per_hour * (taken_at - kit.first_taken_at).total_seconds() / 3600.0,
                    sensor_um=sensor_um,
                )
            )
            taken_at += timedelta(seconds=_SECONDS_BETWEEN_FRAMES + shutter_s)
        taken_at += timedelta(seconds=_SECONDS_BETWEEN_SHOTS)
    return frames


def take_frame(kit: SimulatedKit, frame: PlannedFrame) -> NDArray[np.uint16]:
    """Return the samples of one planned frame, (row, column) uint16 DN."""
    rng = np.random.default_rng(frame.noise_seed)
    if frame.role == "dark":
        return kit.sensor.expose(
            0.0, frame.iso, rng, shape=kit.shape, exposure_s=frame.shutter_s, dark_rate=frame.dark_rate
        )
    ground_e = frame.level * kit.sensor.labelled_range_e(frame.iso)
    electrons = shading(kit.shape, kit.lens.light_loss(frame.f_number)) * np.float32(ground_e)
    if frame.role in CHART_ROLES:
        electrons *= render(
            kit.chart,
            kit.sensor.pattern,
            kit.lens,
            frame.f_number,
            kit.pitch_um,
            pose=frame.pose,
            path=frame.path,
            sensor_um=frame.sensor_um,
        )
    if frame.light == "tungsten":
        _tint(electrons, kit)
    return kit.sensor.expose(electrons, frame.iso, rng, exposure_s=frame.shutter_s, dark_rate=frame.dark_rate)


def _tint(electrons: NDArray[np.float32], kit: SimulatedKit) -> None:
    """Turn daylight into lamp light: the light of each position of the pattern changes by its colour's share."""
    pattern = kit.sensor.pattern
    for row, names in enumerate(pattern):
        for column, name in enumerate(names):
            electrons[row :: len(pattern), column :: len(names)] *= np.float32(kit.tungsten_response[name])


class _Settings(Protocol):
    @property
    def iso(self) -> float: ...
    @property
    def shutter_s(self) -> float: ...
    @property
    def f_number(self) -> float: ...


def recorded_settings(kit: SimulatedKit, shot: _Settings, taken_at: datetime) -> RecordedSettings:
    """Return what the simulated body writes into the file: marked values, as cameras do."""
    neutral = kit.sensor.colour_response
    return RecordedSettings(
        make=kit.make,
        model=kit.model,
        body_serial=kit.body_serial,
        lens=kit.lens.name,
        iso=nominal_iso(shot.iso),
        shutter_s=nominal_shutter_s(shot.shutter_s),
        f_number=nominal_f_number(shot.f_number),
        focal_mm=kit.lens.focal_mm,
        focal_35mm=kit.focal_35mm,
        taken_at=taken_at,
        utc_offset="+00:00",
        pixel_pitch_um=kit.pitch_um,
        as_shot_neutral=(neutral["R"], neutral["G"], neutral["B"]),
    )


def shoot_protocol(
    kit: SimulatedKit,
    shots: Iterable[ShotLike],
    folder: str | Path,
    *,
    seed: int,
    workers: int = 2,
    progress: Callable[[int, int], None] | None = None,
) -> list[Path]:
    """Take every frame of the shots into `folder` (made if need be) and return the files in order.

    `progress` is called with (frames done, frames in all) after each frame. Raises ResultsError if a file
    cannot be written or a role cannot be simulated.
    """
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ResultsError(
            "the folder for the frames cannot be made",
            where=folder,
            got=error.strerror,
            fix="choose another folder",
        ) from error
    frames = plan_frames(kit, shots, seed=seed)
    kit.sensor.fixed_pattern(kit.shape)  # once, before several threads ask for it

    def shoot(frame: PlannedFrame) -> Path:
        return write_dng(
            folder / frame.file,
            take_frame(kit, frame),
            kit.sensor.pattern,
            kit.sensor.black_dn,
            kit.sensor.white_dn,
            recorded_settings(kit, frame, frame.taken_at),
            compression=kit.compression,
        )

    _in_parallel(shoot, frames, workers, progress)
    return [folder / frame.file for frame in frames]


def _in_parallel(
    shoot: Callable[[PlannedFrame], Path],
    frames: Sequence[PlannedFrame],
    workers: int,
    progress: Callable[[int, int], None] | None,
) -> None:
    """Run on threads: NumPy's random numbers, transforms and file writing release the interpreter's lock."""
    with ThreadPoolExecutor(max_workers=max(1, workers)) as pool:
        futures = [pool.submit(shoot, frame) for frame in frames]
        try:
            for done, future in enumerate(as_completed(futures), 1):
                future.result()
                if progress is not None:
                    progress(done, len(frames))
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise
