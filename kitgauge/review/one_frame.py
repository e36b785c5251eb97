"""One frame reviewed: settings, exposure, noise, sharpness, and what to set next."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from kitgauge.exposure import MIDGREY_FRACTION_OF_SATURATION, ev100, exact_iso
from kitgauge.frames.metadata import FrameSettings, exact_settings, read_settings
from kitgauge.frames.mosaic import Mosaic
from kitgauge.frames.opening import is_raw, open_frame
from kitgauge.frames.pitch import pixel_pitch_um
from kitgauge.planner.basis import PRACTICE
from kitgauge.planner.depth_of_field import CIRCLE_OUTPUT_MP, circle_of_confusion_mm
from kitgauge.planner.inputs import Inputs, resolve
from kitgauge.planner.light import MIDGREY_RENDERED
from kitgauge.planner.request import CameraFacts, PlanRequest
from kitgauge.review.developed_twin import developed_twin
from kitgauge.review.exposure_seen import ExposureSeen, exposure_seen, noise_of
from kitgauge.review.kit import Kit, Kits
from kitgauge.review.next_settings import Demands, Exposure, NextSettings, next_settings
from kitgauge.review.small_picture import SmallPicture, small_picture
from kitgauge.review.softness import Softness, edges_of, sharp_reference, softness

ISO_MAX = exact_iso(CameraFacts().iso_max)
_ANY_LIGHT_EV = 10.0  # the bounds of a plan do not depend on the light


@dataclass(frozen=True)
class Wishes:
    """What the user says of all frames; None leaves it to the limits, or to common practice."""

    technique: str | None = None
    output_mp: float | None = None
    keep: float | None = None
    pitch_um: float | None = None


@dataclass(frozen=True)
class NoiseSeen:
    """Noise of a frame's ISO against the limit.

    `snr_midgrey`: of the picture at `output_mp` megapixels, None not measured; `over_limit_stops` > 0: the ISO lies so
    far above the limit; `basis` of the limit.
    """

    snr_midgrey: float | None
    iso_limit: float
    over_limit_stops: float | None
    output_mp: float
    basis: str
    text: str


@dataclass(frozen=True)
class Review:
    """All that is said of one frame. `file` as named; settings exact, None unknown."""

    file: str
    path: Path
    companion: str | None
    rendered: bool
    settings: FrameSettings
    taken: Exposure | None
    exposure: ExposureSeen
    noise: NoiseSeen
    soft: Softness
    demands: Demands
    demands_basis: str
    next: tuple[NextSettings, ...]
    kit_note: str
    notes: tuple[str, ...]
    shape: tuple[int, int]
    picture: SmallPicture

    @property
    def stops_wanting(self) -> float:
        """Stops by which the frame misses what was wanted, of all faults the largest: the order of a folder.

        A frame that is sharp in part may be as it was meant: its soft parts do not count.
        """
        wanting = [0.0, self.noise.over_limit_stops or 0.0]
        if self.soft.cause != "sharp-in-part":
            wanting += [way.stops for way in self.next if way.kind != "lower-iso"]
        clipped = max((colour.clipped_share for colour in self.exposure.colours), default=0.0)
        wanting.append(1.0 if clipped > CLIPPED_WORTH_TELLING else 0.0)
        return max(wanting)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        settings = self.settings
        return {
            "file": self.file,
            "companion": self.companion,
            "rendered": self.rendered,
            "settings": {
                "body": settings.body, "lens": settings.lens, "iso": settings.iso, "shutter_s": settings.shutter_s,
                "f_number": settings.f_number, "focal_mm": settings.focal_mm,
                "taken_at": None if settings.taken_at is None else settings.taken_at.isoformat(),
                "missing": dict(settings.missing),
            },
            "exposure": self.exposure.as_dict(),
            "noise": vars(self.noise),
            "sharpness": self.soft.as_dict(),
            "counts_as_sharp": {
                "streak_px": self.demands.streak_px, "circle_px": self.demands.circle_px, "basis": self.demands_basis,
            },
            "next": [way.as_dict() for way in self.next],
            "stops_wanting": self.stops_wanting,
            "kit": self.kit_note,
            "notes": list(self.notes),
        }  # fmt: skip


CLIPPED_WORTH_TELLING = 0.01  # share of a colour's samples: more than reflexes and lamps


def review_frame(path: Path, kits: Kits, wishes: Wishes, *, companion: Path | None = None, name: str = "") -> Review:
    """Return the review of the frame at `path`; `companion` is the developed picture of the same exposure.

    Raises FrameError where it cannot be opened, PlanError or UsageError where limits and wishes do not fit it.
    """
    settings = read_settings(path)
    body = settings.body
    if body is not None and settings.body_serial:
        body = f"{body} #{settings.body_serial}"
    kit = kits.for_body(body)
    mosaic = open_frame(path)
    raw = is_raw(path) and not mosaic.rendered
    iso, shutter_s, f_number = exact_settings(settings)
    measured_noise, noise_basis = noise_of(mosaic, kit.pixel_noise(iso))
    codes, source = developed_twin(path, companion, is_raw=raw)
    midgrey = MIDGREY_RENDERED if mosaic.rendered else MIDGREY_FRACTION_OF_SATURATION
    seen = exposure_seen(mosaic, measured_noise, noise_basis, codes, source, midgrey)
    pitch, pitch_source = pixel_pitch_um(settings, wishes.pitch_um)
    inputs = _inputs(settings, kit, wishes, mosaic, pitch)
    demands, demands_basis = _demands(kit, inputs, mosaic.shape, pitch)
    mtf50 = None
    if f_number is not None:
        value = kit.model.mtf50_at(f_number, settings.lens, settings.focal_mm, inputs.sharp.region)[0]
        mtf50 = None if math.isnan(value) else value
    reference = sharp_reference(mtf50, f_number, pitch, rendered=mosaic.rendered, streak_px=demands.streak_px)
    soft = softness(edges_of(mosaic, measured_noise), mosaic.shape, reference, seen.snr_median)
    camera_iso_max = max([ISO_MAX, iso or 0.0, *(point.iso for point in kit.noise)])
    taken = None
    if iso is not None and shutter_s is not None and f_number is not None:
        taken = Exposure(shutter_s, f_number, iso)
    return Review(
        file=name or path.name,
        path=path,
        companion=None if companion is None else companion.name,
        rendered=mosaic.rendered,
        settings=settings,
        taken=taken,
        exposure=seen,
        noise=_noise_seen(iso, inputs),
        soft=soft,
        demands=demands,
        demands_basis=demands_basis,
        next=() if taken is None else next_settings(taken, soft, demands, inputs, camera_iso_max),
        kit_note=kit.note,
        notes=_notes(mosaic, settings, pitch, pitch_source),
        shape=mosaic.shape,
        picture=small_picture(mosaic, codes, settings.orientation),
    )


def _inputs(settings: FrameSettings, kit: Kit, wishes: Wishes, mosaic: Mosaic, pitch_um: float | None) -> Inputs:
    rows, columns = mosaic.shape
    camera = CameraFacts(
        sensor_pixels=None if mosaic.rendered else float(rows * columns),
        pixel_pitch_um=pitch_um,
        frame_width_mm=None if pitch_um is None else columns * pitch_um / 1000,
        frame_height_mm=None if pitch_um is None else rows * pitch_um / 1000,
    )
    iso, shutter_s, f_number = exact_settings(settings)
    light = _ANY_LIGHT_EV
    if iso is not None and shutter_s is not None and f_number is not None:
        light = ev100(f_number, shutter_s, iso)
    request = PlanRequest(
        ev100=light,
        focal_mm=settings.focal_mm,
        lens=settings.lens,
        technique=wishes.technique,
        output_mp=wishes.output_mp,
        keep=wishes.keep,
    ).checked()
    return resolve(request, kit.limits, camera, kit.model)


def _demands(kit: Kit, inputs: Inputs, shape: tuple[int, int], pitch_um: float | None) -> tuple[Demands, str]:
    """Return what counts as sharp in this frame and where that is from.

    The picture as used has no more pixels than the frame.
    """
    diagonal_px, frame_mp = math.hypot(*shape), shape[0] * shape[1] / 1e6
    output_mp = min(inputs.noise.output_mp, frame_mp)
    circle_mm = circle_of_confusion_mm(inputs.frame_diagonal_mm, output_mp)
    circle_px = circle_mm * 1000 / pitch_um if pitch_um else circle_mm / inputs.frame_diagonal_mm * diagonal_px
    own = [limit for limit in kit.limits if limit.limit.kind == "shutter" and "streak_px" in limit.limit.criterion]
    if own:
        newest = max(own, key=lambda limit: limit.accepted_at)
        streak = newest.limit.criterion["streak_px"]
        return Demands(streak, circle_px, circle_mm), f"the streak of your accepted limit, {newest.run}"
    basis = f"{PRACTICE}: frame diagonal/1500 in a picture of 8 MP"
    if abs(math.log2(output_mp / CIRCLE_OUTPUT_MP)) > 0.01:
        basis += f", carried to one of {output_mp:.3g} MP"
    return Demands(circle_px, circle_px, circle_mm), basis


def _noise_seen(iso: float | None, inputs: Inputs) -> NoiseSeen:
    bound = inputs.noise
    snr = math.nan if iso is None else bound.snr(iso)[0]
    return NoiseSeen(
        snr_midgrey=None if math.isnan(snr) else snr,
        iso_limit=bound.iso_limit,
        over_limit_stops=None if iso is None else math.log2(iso / bound.iso_limit),
        output_mp=bound.output_mp,
        basis=bound.because.basis,
        text=bound.because.full_text,
    )


def _notes(mosaic: Mosaic, settings: FrameSettings, pitch_um: float | None, pitch_source: str) -> tuple[str, ...]:
    notes = []
    if mosaic.rendered:
        notes.append(
            "a developed picture: tone curve, noise reduction and sharpening are in it, so nothing is said of "
            "headroom, and sharpness is that of this picture style"
        )
    if pitch_um is None:
        notes.append(f"pixel pitch {pitch_source}: a frame of 36 x 24 mm was taken for blur discs and diffraction")
    for key, what in (("iso", "ISO"), ("shutter_s", "shutter time"), ("f_number", "f-number")):
        if getattr(settings, key) is None:
            notes.append(f"{what} unknown ({settings.missing.get(key, 'not in the file')}): no next settings")
    return tuple(notes)
