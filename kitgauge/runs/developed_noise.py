"""A noise run on developed pictures: pairs of flats per ISO, what the pictures show, the limit for their style."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

from kitgauge.errors import LimitsError
from kitgauge.flags import FLAGS, Severity, rejects
from kitgauge.frames.exif_source import container
from kitgauge.ingest.developed_group import developed_task, is_scene
from kitgauge.ingest.iso_group import by_iso
from kitgauge.ingest.match import step_label
from kitgauge.ingest.record import FrameRecord
from kitgauge.limits.developed_limit import developed_limit
from kitgauge.limits.model import Limit
from kitgauge.measure.developed.detail_kept import DetailBand, SceneDetail, detail_kept
from kitgauge.measure.developed.developed_noise import RINGS, DevelopedPair
from kitgauge.measure.developed.developed_points import DevelopedPoint, developed_point
from kitgauge.measure.noise.noise_spectrum import BANDS, is_white
from kitgauge.protocol.model import Protocol
from kitgauge.runs.context import Results, RunContext, Section, common_shape, with_refusals

# name in the files, and where a point keeps its spectrum: density below, and around, each frequency
_CHANNELS = (("Y", "spectrum", "rings"), ("R-Y", "red_spectrum", "red_rings"), ("B-Y", "blue_spectrum", "blue_rings"))
_DARK_REASON = "dark frame: developed pictures need none, their flats show all of the noise"


def measure(context: RunContext, results: Results) -> None:
    """Measure the developed flats and scene frames of each ISO, into `results`."""
    groups = by_iso(_served(context.records))
    tasks = [developed_task(iso, group, context.cache) for iso, group in groups.items()]
    context.run("measuring ISO values", tasks, results)


def conclude(context: RunContext, results: Results) -> Section:
    """Return points, detail kept, and the limit of what was measured."""
    served = _served(context.records)
    records = with_refusals(served, results)
    groups = {iso: results[label] for iso in by_iso(served) if (label := f"ISO {iso:g}") in results}
    records = _roles(records, groups, context.protocol)
    shape = common_shape(results)
    points = [
        developed_point(iso, [DevelopedPair.from_dict(item["pair"]) for item in group["pairs"]])
        for iso, group in groups.items()
        if group.get("pairs")
    ]
    scenes = {
        iso: SceneDetail.from_dict(group["scene"]["detail"]) for iso, group in groups.items() if group.get("scene")
    }
    detail = detail_kept(scenes)
    no_limit: list[str] = []
    notes = [
        "these are developed pictures: what was measured is the noise that they show, with the camera's tone curve, "
        "noise reduction and sharpening in it; raw frames tell what the sensor does",
        *_encodings(groups),
    ]
    if len(scenes) == 1:
        notes.append("scene frames at one ISO only: detail kept needs a second ISO to compare with")
    limits: list[Limit] = []
    if shape is not None:
        output_mp = context.criteria.picture_mp(shape)
        if shape[0] * shape[1] < 0.9e6 * output_mp:
            notes.append(
                f"the picture of {output_mp:g} MP is larger than the frames' {shape[0] * shape[1] / 1e6:.2g} MP: "
                "the limit is for an enlargement, which shows all of their noise "
                "(--criterion output_mp=... sets the size used)"
            )
        try:
            limits.append(developed_limit(points, context.criteria, shape))
        except LimitsError as error:
            no_limit.append(f"{error.what} ({error.where}: {error.got}); {error.fix}")
    if context.criteria.shadow_snr is not None:
        notes.append(
            "the criterion for shadows was not applied: flats of developed pictures tell the noise at their own level"
        )
    text = _text(points, detail)
    section = {
        "points": [_contract(point) for point in points],
        "fit": None,
        "photon_transfer": [],
        "linearity": [],
        "iso_meaning": None,
        "snr_against_exposure": [],
        "spectrum": _spectra(points),
        "lights": [],
        "pictures": [],
        "developed": {
            "points": [point.as_dict() for point in points],
            "spectrum": _spectra(points, rings=True),
            "detail": [band.as_dict() for band in detail],
            "text": text,
        },
        "dark_current": None,
    }
    return Section(
        curves={"noise": section},
        records=records,
        limits=tuple(limits),
        missing=tuple(_missing(served, groups, points)),
        notes=(*notes, *no_limit),
        no_limit=tuple(no_limit),
        shape=shape,
    )


def _served(records: Sequence[FrameRecord]) -> tuple[FrameRecord, ...]:
    """Return the records, those that developed pictures have no use for left out with the reason.

    Pictures of several file formats are several picture styles: the most frequent format is measured.
    """
    kinds = {record.file: _kind(record) for record in records if record.status != "rejected" and not record.reason}
    most = Counter(kinds.values()).most_common(1)
    out = []
    for record in records:
        kind = kinds.get(record.file)
        if kind is not None and kind != most[0][0]:
            record = record.unmatched(f"another format ({kind}) than most ({most[0][0]}): one picture style per run")
        elif kind is not None and record.role == "dark":
            record = record.unmatched(_DARK_REASON)
        out.append(record)
    return tuple(out)


def _kind(record: FrameRecord) -> str:
    try:
        with record.path.open("rb") as stream:
            return (container(stream.read(32)) or "unknown").upper()
    except OSError:  # told when it is opened as a picture
        return "unknown"


def _roles(
    records: Sequence[FrameRecord], groups: Mapping[float, Mapping[str, Any]], protocol: Protocol
) -> tuple[FrameRecord, ...]:
    """Give each measured frame its role, its step and the flags of its pairs."""
    steps = {step.role: step for step in reversed(protocol.step)}
    out: list[FrameRecord] = []
    for record in records:
        group = None if record.iso is None else groups.get(record.iso)
        frame = None if group is None else group.get("frames", {}).get(record.file)
        if record.status == "rejected" or record.reason or group is None or frame is None:
            out.append(record)
            continue
        role = frame["role"]
        label = step_label(protocol, steps[role], record.iso) if role in steps else f"{role} ISO {record.iso:g}"
        record = replace(record, role=role, step=label)
        if role == "dark":
            out.append(record.unmatched(_DARK_REASON))
        elif not frame["paired"] and record.file in group.get("unusable", {}):
            out.append(record.with_flags(["rendered"]).unmatched(group["unusable"][record.file]))
        elif role == "scene":
            out.append(_scene_record(record, group))
        elif frame["paired"]:
            own = [item["pair"]["flags"] for item in group["pairs"] if record.file in item["files"]]
            # a frame of two pairs is bad only if both are
            good = [flags for flags in own if not rejects(flags)]
            out.append(replace(record, status="used").with_flags(flag for flags in good or own for flag in flags))
        else:
            lone = record.with_flags(["rendered", "no-pair"])
            out.append(lone.unmatched("left without a partner of the same settings"))
    return tuple(out)


def _scene_record(record: FrameRecord, group: Mapping[str, Any]) -> FrameRecord:
    files = (group["scene"] or {}).get("files", [])
    if record.file in files:
        return replace(record, status="used").with_flags(["rendered"])
    reason = "two frames of the scene serve at each ISO" if files else "left without a partner of the same settings"
    return record.with_flags(["rendered"]).unmatched(reason)


def _encodings(groups: Mapping[float, Mapping[str, Any]]) -> list[str]:
    """Return how the pictures were linearised, and where that differs between ISO values."""
    found: dict[str, list[float]] = {}
    for iso, group in groups.items():
        if group.get("encoding"):
            found.setdefault(group["encoding"], []).append(iso)
    if len(found) < 2:
        return list(found)
    return [f"{text} (ISO {', '.join(f'{iso:g}' for iso in isos)})" for text, isos in found.items()]


def _missing(
    records: Sequence[FrameRecord], groups: Mapping[float, Mapping[str, Any]], points: Sequence[DevelopedPoint]
) -> list[str]:
    missing: list[str] = []
    # ISO values of scene frames alone are asked for nothing
    asked = {
        r.iso for r in records if r.iso is not None and not r.reason and r.status != "rejected" and not is_scene(r)
    }
    of_iso = {point.iso: point for point in points}
    for iso in sorted(asked):
        point = of_iso.get(iso)
        if point is None:
            why = "not measured" if iso not in groups else "no pair of flats"
            missing.append(f"ISO {iso:g}: {why}")
        elif not (point.snr_midgrey > 0 or point.snr_at_least > 0):
            causes = [FLAGS[flag].text for flag in point.flags if flag != "rendered" and _doubts(flag)]
            missing.append(f"ISO {iso:g}: no noise ({'; '.join(causes) or 'see the flags'})")
    rejected = {record.iso for record in records if record.iso is not None and record.status == "rejected"}
    return missing + [f"ISO {iso:g}: every frame was rejected" for iso in sorted(rejected - asked)]


def _doubts(flag: str) -> bool:
    return FLAGS[flag].severity is not Severity.NOTE


def _contract(point: DevelopedPoint) -> dict[str, Any]:
    """Return the point as the contract of noise points has it: what only raw frames tell is unknown."""
    unknown = (
        "gain_e_per_dn", "gain_e_per_dn_stderr", "read_noise_e", "read_noise_e_stderr", "saturation_e",
        "dynamic_range_stops",
    )  # fmt: skip
    return {
        "iso": point.iso,
        "channel": "Y",
        **dict.fromkeys(unknown, math.nan),
        "snr_midgrey": point.snr_midgrey,
        "snr_midgrey_stderr": point.snr_midgrey_stderr,
        "level": point.level,
        "spectrum": list(point.spectrum),
        "flat_pairs": point.pairs,
        "dark_pairs": 0,
        "flags": list(point.flags),
    }


def _spectra(points: Sequence[DevelopedPoint], rings: bool = False) -> list[dict[str, Any]]:
    """Return the noise spectra: mean density below each frequency, or (`rings`) the density in rings around each."""
    spectra = []
    for point in points:
        relative = zip(point.luminance_power_stderr, point.luminance_power, strict=True)
        errors = [error / value if value > 0 else math.inf for error, value in relative]
        for channel, below, around in _CHANNELS:
            squares = getattr(point, below)
            if not math.isfinite(squares[-1]):
                continue
            entry = {"iso": point.iso, "channel": channel, "white": is_white(squares, errors)}
            if rings:
                entry["frequency_cy_per_px"] = [0.5 * (low + high) for low, high in pairwise(RINGS)]
                entry["relative_power"] = list(getattr(point, around))
            else:
                entry["frequency_cy_per_px"] = [0.5 * k / BANDS for k in range(1, BANDS + 1)]
                entry["relative_power"] = list(squares)
                if channel == "Y":
                    stderr = [share * error for share, error in zip(squares, errors, strict=True)]
                    entry["relative_power_stderr"] = stderr
            spectra.append(entry)
    return spectra


def _text(points: Sequence[DevelopedPoint], detail: Sequence[DetailBand]) -> str:
    """Return in plain words what the pictures show at the highest ISO measured."""
    sentences = []
    seen = [point for point in points if point.luminance_noise > 0]
    if seen:
        point = seen[-1]
        colour = [f"{name} {100 * value:.2g} %" for name, value in
                  (("R-Y", point.red_noise), ("B-Y", point.blue_noise)) if value > 0]  # fmt: skip
        sentences.append(
            f"At ISO {point.iso:g} one pixel's brightness varies by {100 * point.luminance_noise:.2g} % of its level"
            + (f", its colour by {' and '.join(colour)}" if colour else "")
            + f"; {100 * point.noise_power_low:.0f} % of the brightness noise is coarse, that is eight pixels and "
            "more (white noise: 6 %), and stays when the picture is made smaller."
        )
    unseen = [point for point in points if point.snr_at_least > 0]
    if unseen:
        isos = ", ".join(f"{point.iso:g}" for point in unseen)
        sentences.append(f"At ISO {isos} noise is finer than the steps of the file.")
    fine = [band for band in detail if band.high_cy_per_px == 0.5 and band.iso > band.reference_iso]
    told = [words for band in fine if (words := _kept_words(band))]
    if told:
        sentences.append(
            f"Fine detail (0.25 to 0.5 cycles/pixel) keeps, of its contrast at ISO {fine[0].reference_iso:g}: "
            f"{', '.join(told)}."
        )
    if shifted := [f"{band.iso:g}" for band in fine if "moved-target" in band.flags]:
        sentences.append(
            f"What detail is kept at ISO {', '.join(shifted)} cannot be told: the scene's frames are shifted."
        )
    return " ".join(sentences)


def _kept_words(band: DetailBand) -> str:
    if band.kept > 0:
        kept, error = 100 * band.kept, 100 * band.kept_stderr
        if not error > 0:  # the reference itself
            return f"{kept:.0f} % at ISO {band.iso:g}"
        places = max(0, -math.floor(math.log10(error)))  # one significant digit of the error at least
        return f"{kept:.{places}f} % (± {error:.{places}f} %) at ISO {band.iso:g}"
    return f"at most {100 * band.kept_at_most:.0f} % at ISO {band.iso:g}" if band.kept_at_most > 0 else ""
