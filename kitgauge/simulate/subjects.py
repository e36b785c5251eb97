"""Simulated subjects: the printed target on what moves, in front of a camera on a tripod, with known truth.

A subject says where the target is at any time; every exposure sees a piece of that movement from a random moment on.
The picture is the mean over the exposure of the resting picture carried along by the homography of each moment
(Gauss-Legendre nodes: the second moments of the movement are exact to rounding); the true streak comes from the same
movement by quadrature with more nodes, along the pinhole's own formulas, never from an estimator.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import lru_cache
from pathlib import Path
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from kitgauge.exposure import nominal_f_number, nominal_iso, nominal_shutter_s
from kitgauge.simulate.dng import RecordedSettings, write_dng
from kitgauge.simulate.model import SimulatedKit
from kitgauge.simulate.sheet_scene import PinholeCamera, PlacedSheet, render_sheets, to_frame
from kitgauge.simulate.shooting import ShotLike

Points = NDArray[np.float64]

_GRAVITY_MM_S2 = 9806.65
_FINER = 3  # samples of the resting picture per pixel and axis; odd, so that the mean over a pixel is centred
_LENS_SIGMA_PX = 0.6
_WALL = 0.45
_MARGIN_PX = 12  # around the sheet, farther than lens, pixel and interpolation reach
_BRIGHT_LEVEL = 0.6  # of saturation, on paper
_SECONDS_BETWEEN_FRAMES = 4.0
_TRUTH_NODES = 96


class Subject(Protocol):
    """What moves: where the target is at a time."""

    @property
    def period_s(self) -> float:
        """Time after which the movement repeats itself [s]."""

    def placed(self, rest: PlacedSheet, time_s: float) -> PlacedSheet:
        """Return the target at a time [s], `rest` being its place at rest."""


@dataclass(frozen=True)
class Pendulum:
    """The target on a stiff rod that swings across the line of sight; it turns with the rod.

    Small-angle period 2 pi sqrt(length / g), kept for the amplitude given (1 % longer at 20 degrees); the fastest
    speed is amplitude x length x 2 pi / period.
    """

    length_mm: float = 1000.0
    amplitude_deg: float = 8.0

    @property
    def period_s(self) -> float:
        """Time of a whole swing [s]."""
        return 2.0 * math.pi * math.sqrt(self.length_mm / _GRAVITY_MM_S2)

    def placed(self, rest: PlacedSheet, time_s: float) -> PlacedSheet:
        """Return the target on its arc: to the right as it turns anticlockwise."""
        angle = math.radians(self.amplitude_deg) * math.sin(2.0 * math.pi * time_s / self.period_s)
        return replace(
            rest,
            x_mm=rest.x_mm + self.length_mm * math.sin(angle),
            y_mm=rest.y_mm + self.length_mm * (math.cos(angle) - 1.0),
            rotation_deg=rest.rotation_deg - math.degrees(angle),
        )


@dataclass(frozen=True)
class Nodding:
    """The target on a head that nods about an axis `radius_mm` behind it: it goes down as it tilts."""

    radius_mm: float = 110.0
    amplitude_deg: float = 9.0
    period_s: float = 1.1

    def placed(self, rest: PlacedSheet, time_s: float) -> PlacedSheet:
        """Return the target in its nod."""
        degrees = self.amplitude_deg * math.sin(2.0 * math.pi * time_s / self.period_s)
        angle = math.radians(degrees)
        return replace(
            rest,
            y_mm=rest.y_mm + self.radius_mm * math.sin(angle),
            distance_mm=rest.distance_mm + self.radius_mm * (1.0 - math.cos(angle)),
            tilt_y_deg=rest.tilt_y_deg - degrees,
        )


@dataclass(frozen=True)
class Turning:
    """The target on a disc that faces the camera and swings to and fro about its own middle."""

    amplitude_deg: float = 10.0
    period_s: float = 1.5

    def placed(self, rest: PlacedSheet, time_s: float) -> PlacedSheet:
        """Return the target as turned at a time."""
        turn = self.amplitude_deg * math.sin(2.0 * math.pi * time_s / self.period_s)
        return replace(rest, rotation_deg=rest.rotation_deg + turn)


@dataclass(frozen=True)
class TrueSubjectBlur:
    """What one exposure truly saw.

    `streak_px`: of the mean over the edges of the target's squares, each in its own place; `middle_streak_px` of the
    target's middle; `middle_streak_mm` of that point in space, across the line of sight; `turn_rad`: sqrt(12) times the
    standard deviation of the turn in the frame, 0 at rest.
    """

    file: str
    role: str
    shutter_s: float
    streak_px: float
    middle_streak_px: float
    middle_streak_mm: float
    turn_rad: float


@dataclass(frozen=True)
class SubjectScene:
    """A kit on a tripod, the target at rest in front of it, and how it moves. Distortion and shading are left out."""

    kit: SimulatedKit
    rest: PlacedSheet
    subject: Subject
    markers: bool = True

    @property
    def camera(self) -> PinholeCamera:
        """The pinhole of the kit's lens, focused at the target (image distance f (1 + m) of the thin lens)."""
        focal_mm = self.kit.lens.focal_mm
        image_mm = focal_mm * self.rest.distance_mm / (self.rest.distance_mm - focal_mm)
        return PinholeCamera(self.kit.shape, 1000.0 * image_mm / self.kit.pitch_um)

    def moment(self, time_s: float | None) -> PlacedSheet:
        """Return the target at a time, at rest for None."""
        return self.rest if time_s is None else self.subject.placed(self.rest, time_s)

    def picture(
        self, start_s: float | None, exposure_s: float, shift_px: tuple[float, float] = (0.0, 0.0)
    ) -> NDArray[np.float32]:
        """Return the light of one exposure that begins at `start_s` (None: at rest), (row, column), paper 1.

        `shift_px` (x, y) moves the target at rest: interpolation must not spare it what moving ones get.
        """
        texture = _resting_picture(self.camera, self.rest, self.markers)
        if start_s is None:
            mm = np.array(shift_px) * self.rest.distance_mm / self.camera.focal_px
            return self._carried(texture, replace(self.rest, x_mm=self.rest.x_mm + mm[0], y_mm=self.rest.y_mm + mm[1]))
        travel = self._travel_px(start_s, exposure_s)
        nodes, weights = _nodes(6 + math.ceil(2.0 * travel))
        light = np.zeros(self.kit.shape, dtype=np.float32)
        for node, weight in zip(nodes, weights, strict=True):
            light += np.float32(weight) * self._carried(texture, self.moment(start_s + node * exposure_s))
        return light

    def truth(self, file: str, role: str, start_s: float | None, exposure_s: float) -> TrueSubjectBlur:
        """Return what an exposure truly sees, by quadrature over the movement."""
        if start_s is None:
            return TrueSubjectBlur(file, role, exposure_s, 0.0, 0.0, 0.0, 0.0)
        nodes, weights = _nodes(_TRUTH_NODES)
        moments = [self.moment(start_s + node * exposure_s) for node in nodes]
        sheet = self.rest.sheet
        squares = np.array([(square.x_mm, square.y_mm) for square in sheet.squares])
        middle = np.array([[sheet.design.width_mm / 2, sheet.design.height_mm / 2]])
        # along the edges of a square, its turning adds what the mean over its outline adds: r^2 = side^2 / 3
        outline = np.array([edge for square in sheet.squares for edge in _outline(square.edges.values())])
        seen = np.array([to_frame(moment, self.camera, outline) for moment in moments])
        at_middle = np.array([to_frame(moment, self.camera, middle) for moment in moments])
        ahead = np.array([to_frame(moment, self.camera, squares[:1]) for moment in moments])[:, 0]
        beside = np.array([to_frame(moment, self.camera, squares[-1:]) for moment in moments])[:, 0]
        turn = np.unwrap(np.arctan2(*(beside - ahead).T[::-1]))
        in_space = np.array([(moment.x_mm, moment.y_mm) for moment in moments])[:, None, :]
        return TrueSubjectBlur(
            file,
            role,
            exposure_s,
            streak_px=_streak(seen, weights),
            middle_streak_px=_streak(at_middle, weights),
            middle_streak_mm=_streak(in_space, weights),
            turn_rad=_streak(np.stack([turn, np.zeros_like(turn)], axis=1)[:, None, :], weights),
        )

    def _travel_px(self, start_s: float, exposure_s: float) -> float:
        """Return the longest way of a corner of the sheet in the frame [px]."""
        width, height = self.rest.sheet.design.width_mm, self.rest.sheet.design.height_mm
        corners = np.array([(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)])
        times = start_s + np.linspace(0.0, exposure_s, 33)
        ways = np.array([to_frame(self.moment(time), self.camera, corners) for time in times])
        return float(np.hypot(*np.diff(ways, axis=0).transpose(2, 0, 1)).sum(axis=0).max())

    def _carried(self, texture: NDArray[np.float32], moment: PlacedSheet) -> NDArray[np.float32]:
        """Return the resting picture as seen with the sheet elsewhere; what is around moves with it."""
        width, height = self.rest.sheet.design.width_mm, self.rest.sheet.design.height_mm
        corners = np.array([(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)])
        at_rest = (to_frame(self.rest, self.camera, corners) + 0.5) * _FINER - 0.5
        now = to_frame(moment, self.camera, corners)
        matrix = cv2.getPerspectiveTransform(at_rest.astype(np.float32), now.astype(np.float32))
        whole = np.array(self.kit.shape[::-1])
        first, end = np.zeros(2, dtype=int), whole
        if np.all((at_rest > _MARGIN_PX * _FINER) & (at_rest < np.array(texture.shape[::-1]) - _MARGIN_PX * _FINER)):
            # the whole sheet is in the picture: around it there is nothing but the even wall, which need not be carried
            first = np.clip(np.floor(now.min(axis=0)).astype(int) - _MARGIN_PX, 0, whole)
            end = np.clip(np.ceil(now.max(axis=0)).astype(int) + _MARGIN_PX, first, whole)
        moved = np.full(self.kit.shape, _WALL, dtype=np.float32)
        if np.all(end > first):
            shift = np.array([[1.0, 0.0, -first[0]], [0.0, 1.0, -first[1]], [0.0, 0.0, 1.0]])
            moved[first[1] : end[1], first[0] : end[0]] = cv2.warpPerspective(
                texture, shift @ matrix, (end - first).tolist(), flags=cv2.INTER_LANCZOS4,
                borderMode=cv2.BORDER_REPLICATE,
            )  # fmt: skip
        return moved


def _outline(edges: Iterable[Sequence[tuple[float, float]]]) -> list[tuple[float, float]]:
    """Return points evenly spread along edges: Gauss-Legendre's two serve a square law."""
    found = []
    for (x0, y0), (x1, y1) in edges:
        for part in (0.5 - 0.5 / math.sqrt(3.0), 0.5 + 0.5 / math.sqrt(3.0)):
            found.append((x0 + part * (x1 - x0), y0 + part * (y1 - y0)))
    return found


def _streak(path: Points, weights: Points) -> float:
    """Return the streak of points (moment, point, axis): sqrt(12) times the root of their mean variance."""
    centred = path - np.einsum("m,mpa->pa", weights, path)
    return math.sqrt(12.0 * float(np.einsum("m,mpa->p", weights, centred**2).mean()))


@lru_cache(maxsize=64)
def _nodes(count: int) -> tuple[Points, Points]:
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return (nodes + 1.0) / 2.0, weights / 2.0


@lru_cache(maxsize=2)
def _resting_picture(camera: PinholeCamera, rest: PlacedSheet, markers: bool) -> NDArray[np.float32]:
    """Return the sheet at rest through lens and pixel, `_FINER` samples per pixel and axis."""
    finer = PinholeCamera((camera.shape[0] * _FINER, camera.shape[1] * _FINER), camera.focal_px * _FINER)
    if not markers:
        rest = replace(rest, sheet=replace(rest.sheet, markers=()))
    light = render_sheets([rest], finer, blur_px=_LENS_SIGMA_PX * _FINER, wall=_WALL, finer=1)
    return np.asarray(cv2.blur(light, (_FINER, _FINER), borderType=cv2.BORDER_REPLICATE), dtype=np.float32)


def shoot_subject(
    scene: SubjectScene, shots: Iterable[ShotLike], folder: str | Path, *, seed: int
) -> list[TrueSubjectBlur]:
    """Take tripod and subject frames into `folder` and return the truth of each, in order.

    ISO and light keep the paper at a fixed level of saturation; tripod frames show the target at rest, subject frames
    begin at a random moment of the movement.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    kit, rng = scene.kit, np.random.default_rng(seed)
    taken_at = kit.first_taken_at
    truths: list[TrueSubjectBlur] = []
    neutral = kit.sensor.colour_response
    for shot in shots:
        iso, shutter_s, f_number = shot.iso or 200.0, shot.shutter_s or 1 / 64, shot.f_number or 2.0**2.5
        for _ in range(shot.frames):
            start = None if shot.role == "tripod" else float(rng.uniform(0.0, scene.subject.period_s))
            file = f"SUB_{len(truths) + 1:04d}.DNG"
            shift = (float(rng.uniform(-0.5, 0.5)), float(rng.uniform(-0.5, 0.5)))
            light = scene.picture(start, shutter_s, shift)
            electrons = light * np.float32(_BRIGHT_LEVEL * kit.sensor.labelled_range_e(iso))
            settings = RecordedSettings(
                make=kit.make,
                model=kit.model,
                body_serial=kit.body_serial,
                lens=kit.lens.name,
                iso=nominal_iso(iso),
                shutter_s=nominal_shutter_s(shutter_s),
                f_number=nominal_f_number(f_number),
                focal_mm=kit.lens.focal_mm,
                focal_35mm=kit.focal_35mm,
                taken_at=taken_at,
                utc_offset="+00:00",
                pixel_pitch_um=kit.pitch_um,
                as_shot_neutral=(neutral["R"], neutral["G"], neutral["B"]),
            )
            samples = kit.sensor.expose(np.maximum(electrons, 0.0), iso, rng, exposure_s=shutter_s)
            write_dng(folder / file, samples, kit.sensor.pattern, kit.sensor.black_dn, kit.sensor.white_dn, settings)
            truths.append(scene.truth(file, shot.role, start, shutter_s))
            taken_at += timedelta(seconds=_SECONDS_BETWEEN_FRAMES + shutter_s)
    return truths
