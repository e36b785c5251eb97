"""What is asked of a run, and the frames, the kit and the settings that follow from it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from kitgauge.errors import IngestError, UsageError
from kitgauge.frames.pitch import pixel_pitch_um as find_pixel_pitch_um
from kitgauge.ingest.frame_region import FrameRegion, check_regions, parse_regions
from kitgauge.ingest.lens_in_use import named_lens, one_focal_length, with_teleconverter
from kitgauge.ingest.match import match_frames, prefer_raw
from kitgauge.ingest.record import FrameRecord
from kitgauge.ingest.scan import Scan, content_hash, one_kit
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.kit_folder import kit_folder_name
from kitgauge.protocol.loading import LoadedProtocol, load_protocol
from kitgauge.runs.context import Kit, most_common

# what a protocol measures -> the module that does it; each brings libraries along, so only one is loaded
_KINDS = {
    "noise": "kitgauge.runs.noise",
    "dark-current": "kitgauge.runs.dark_current",
    "sharpness": "kitgauge.runs.sharpness",
    "blur": "kitgauge.runs.blur",
    "practice": "kitgauge.runs.practice",
}
_FOCUS_BRACKET = "kitgauge.runs.focus_bracket"  # sharpness, where the frames run through the focus
_DEVELOPED_NOISE = "kitgauge.runs.developed_noise"  # noise, where all frames are developed pictures


@dataclass(frozen=True)
class Request:
    """What a run was asked for; `runner.run` explains each."""

    loaded: LoadedProtocol
    frames: Path
    out: Path | None
    results: Path
    criteria: Criteria
    technique: str | None
    settings: Path | None
    pitch_um: float | None
    body: str | None
    lens: str | None
    focal_mm: float | None
    teleconverter: float | None
    workers: int
    regions: tuple[FrameRegion, ...]
    subject_name: str | None
    distance_m: float | None
    use_cache: bool

    @property
    def module(self) -> str:
        """The name of the module that runs the protocol on raw frames."""
        protocol = self.loaded.protocol
        return _FOCUS_BRACKET if protocol.focus_stepped else _KINDS[protocol.measures]

    def module_for(self, kit: Kit) -> str:
        """Return the name of the module that runs the protocol on the frames of `kit`."""
        developed_noise = self.loaded.protocol.measures == "noise" and kit.developed
        return _DEVELOPED_NOISE if developed_noise else self.module

    def as_dict(self) -> dict[str, Any]:
        """Return what run.json keeps of it."""
        return {
            "frames": str(self.frames),
            "working_folder": str(Path.cwd()),
            "out": None if self.out is None else str(self.out),
            "results": str(self.results),
            "criteria": self.criteria.as_dict(),
            "technique": self.technique,
            "settings_file": None if self.settings is None else str(self.settings),
            "settings_sha256": None if self.settings is None else content_hash(self.settings),
            "pitch_um": self.pitch_um,
            "body": self.body,
            "lens": self.lens,
            "focal_mm": self.focal_mm,
            "teleconverter": self.teleconverter,
            "regions": [str(region) for region in self.regions],
            "subject_name": self.subject_name,
            "distance_m": self.distance_m,
            "workers": self.workers,
            "use_cache": self.use_cache,
        }


def checked_request(
    protocol: str | Path,
    frames: str | Path,
    *,
    out: str | Path | None,
    results: str | Path,
    criteria: Criteria | None,
    technique: str | None,
    settings: str | Path | None,
    pitch_um: float | None,
    body: str | None,
    lens: str | None,
    focal_mm: float | None,
    teleconverter: float | None,
    workers: int,
    regions: Sequence[str],
    subject_name: str | None,
    distance_m: float | None,
    use_cache: bool,
) -> Request:
    """Return the request, its protocol loaded and its values checked. Raises UsageError, ProtocolError."""
    for name, value in (("pixel pitch", pitch_um), ("focal length", focal_mm), ("distance", distance_m)):
        if value is not None and not 0 < value < 100_000:
            raise UsageError(f"the {name} is not possible", got=value, needed="a positive number")
    loaded = load_protocol(protocol)
    wanted = parse_regions(regions)
    if wanted and loaded.protocol.measures != "sharpness":
        raise UsageError(
            "regions serve to find edges whose sharpness is measured",
            where="--region",
            got=f"the protocol {loaded.protocol.id}, which measures {loaded.protocol.measures}",
            needed="a protocol that measures sharpness, such as aperture-sweep",
            fix="leave --region out",
        )
    return Request(
        loaded=loaded,
        frames=Path(frames),
        out=None if out is None else Path(out),
        results=Path(results),
        criteria=criteria or Criteria(),
        technique=technique,
        settings=None if settings is None else Path(settings),
        pitch_um=pitch_um,
        body=body,
        lens=lens,
        focal_mm=focal_mm,
        teleconverter=teleconverter,
        workers=workers,
        regions=tuple(wanted),
        subject_name=_of_subject(loaded, subject_name, distance_m),
        distance_m=distance_m,
        use_cache=use_cache,
    )


def _of_subject(loaded: LoadedProtocol, name: str | None, distance_m: float | None) -> str | None:
    """Return the subject's name, checked; UsageError where the protocol has no moving subject."""
    if name is None and distance_m is None:
        return None
    if loaded.protocol.measures != "blur" or all(step.role != "subject" for step in loaded.protocol.step):
        raise UsageError(
            "this protocol has no moving subject",
            where="--distance-m" if name is None else "--subject-name",
            got=f"the protocol {loaded.protocol.id}",
            needed="a protocol with a step of role subject, such as subject-motion",
            fix="leave the option out",
        )
    from kitgauge.runs.subject import checked_name

    return checked_name(name)


@dataclass(frozen=True)
class Chosen:
    """The frames of a folder as the run takes them, each with its step where that can be told yet, and their kit."""

    scan: Scan
    records: tuple[FrameRecord, ...]
    kit: Kit


def chosen_frames(request: Request, scan: Scan, *, listed: Sequence[float] = ()) -> Chosen:
    """Return the frames of one body, lens and focal length, matched to the protocol's steps.

    `listed` are values of the protocol's sweep that are known to come, while frames arrive. Raises IngestError where
    several are there and none was picked, and where no frame serves.
    """
    scan = replace(scan, frames=named_lens(scan.frames, request.lens))
    scan = one_kit(scan, request.body, request.lens)
    in_use = with_teleconverter(prefer_raw(scan.frames), request.teleconverter)
    protocol = request.loaded.protocol
    if protocol.measures in ("sharpness", "blur"):
        in_use = one_focal_length(in_use, request.focal_mm)
    records = match_frames(in_use, protocol, listed=listed)
    _require_usable(records, request)
    used = (record.path for record in records if record.status == "used")
    check_regions((scan.settings[path] for path in used), request.regions)
    return Chosen(scan, records, _kit(records, scan, request.pitch_um, request.focal_mm))


def _require_usable(records: tuple[FrameRecord, ...], request: Request) -> None:
    if any(record.status != "rejected" and not record.reason for record in records):
        return
    protocol = request.loaded.protocol
    reasons = Counter(record.reason for record in records).most_common(3)
    raise IngestError(
        f"no frame in this folder serves {protocol.id}",
        where=request.frames,
        got="; ".join(f"{count} x {reason}" for reason, count in reasons),
        needed=f"frames as in 'kitgauge brief {protocol.id}', with their settings recorded",
        fix="give what the frames do not record with --settings FILE.csv, or shoot what the brief says",
    )


def _kit(records: tuple[FrameRecord, ...], scan: Scan, pitch_um: float | None, focal_mm: float | None) -> Kit:
    serving = [record for record in records if record.status != "rejected" and not record.reason]
    pitch, source = find_pixel_pitch_um(scan.settings[serving[0].path], pitch_um)
    body = most_common([record.body for record in serving])
    serial = most_common([record.body_serial for record in serving])
    return Kit(
        name=kit_folder_name(body, serial),
        body=body,
        body_serial=serial,
        lens=most_common([record.lens for record in serving]),
        focal_mm=focal_mm or most_common([record.focal_mm for record in serving]),
        focal_35mm=most_common([record.focal_35mm for record in serving]),
        pixel_pitch_um=pitch,
        pixel_pitch_source=source,
        developed=not any(record.is_raw for record in serving),
    )
