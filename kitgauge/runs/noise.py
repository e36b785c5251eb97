"""A noise run: pairs per ISO, points, the ISO model, the personal ISO limit."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence, Set
from dataclasses import replace
from typing import Any

from kitgauge.errors import FitError, LimitsError
from kitgauge.fit.noise.noise_iso import NoiseFit, fit_noise_iso
from kitgauge.flags import FLAGS, Severity, rejects
from kitgauge.ingest.frame_sets import FrameSets
from kitgauge.ingest.iso_group import by_iso, iso_task
from kitgauge.ingest.iso_pairs import plane_pairs
from kitgauge.ingest.match import step_label
from kitgauge.ingest.opened import BLACK_FLAGS
from kitgauge.ingest.record import FrameRecord, capture_order
from kitgauge.limits.iso_limit import iso_limit
from kitgauge.limits.model import Limit
from kitgauge.measure.noise.black_level import settle_black
from kitgauge.measure.noise.clip_code import carry_clip_code
from kitgauge.measure.noise.full_well import bound_by_full_well
from kitgauge.measure.noise.noise_points import NoisePoint, PlanePairs, noise_points
from kitgauge.measure.noise.pair_checks import check_pairs
from kitgauge.measure.noise.pair_columns import values_of
from kitgauge.measure.noise.point_checks import FlatInOrder, check_points, frame_flags_as_of_points, iso_changed_between
from kitgauge.measure.noise.saturated_flats import mark_saturated
from kitgauge.measure.noise.scaled_saturation import scaled_saturation
from kitgauge.protocol.model import Protocol
from kitgauge.runs.context import Results, RunContext, Section, common_shape, with_refusals
from kitgauge.runs.noise_section import noise_section
from kitgauge.runs.photon_transfer_rows import photon_transfer

NOT_MEASURED = (
    "the protocol asks for no dark frames, so read noise, noise in the shadows, dynamic range and a second gain stage "
    "were not measured, and the gain takes the read noise for small; noise-ladder measures them"
)

_NO_FLATS = "there are no flats in this folder: gain and noise were not measured, shoot a pair of flats at each ISO"


def measure(context: RunContext, results: Results) -> None:
    """Measure the flats and darks of each ISO, into `results`."""
    groups = by_iso(context.records)
    context.run("measuring ISO values", [iso_task(iso, group, context.cache) for iso, group in groups.items()], results)


def conclude(context: RunContext, results: Results) -> Section:
    """Return points, fit and limit of what was measured."""
    records = with_refusals(context.records, results)
    # of an ISO at which measuring failed there are refusals alone
    measured_isos = {iso: results.get(f"ISO {iso:g}", {}) for iso in by_iso(context.records)}
    groups = {iso: group for iso, group in measured_isos.items() if "planes" in group}
    black_settled = settle_black({iso: plane_pairs(group) for iso, group in groups.items()})
    planes = check_pairs(carry_clip_code(mark_saturated(black_settled)))
    shape = common_shape(results)
    measured = [point for iso, pairs in planes.items() if pairs for point in noise_points(iso, pairs)]
    points = check_points(bound_by_full_well(scaled_saturation(measured)))
    points = [_clipped_on_purpose(point, context.protocol) for point in points]
    records = _roles(records, groups, planes, points, context.protocol)
    missing = _missing(context, records, groups, points)
    no_limit: list[str] = []
    notes: list[str] = []
    fit: NoiseFit | None = None
    limits: list[Limit] = []
    try:
        fit = fit_noise_iso(points)
    except FitError as error:
        if _nothing_of_a_role(groups, context.protocol):
            pass  # said once, and all that follows from it
        elif _asks_for_darks(context.protocol):
            missing.append(f"{error.what}: got {error.got}, needed {error.needed}")
        else:
            notes.append(NOT_MEASURED)
    if shape is not None and shape[0] * shape[1] < 0.9e6 * context.criteria.picture_mp(shape):
        notes.append(
            f"the picture of {context.criteria.picture_mp(shape):g} MP is larger than the camera's "
            f"{shape[0] * shape[1] / 1e6:.2g} MP: the limit is for an enlargement "
            "(--criterion output_mp=... sets the size used)"
        )
    if shape is not None:
        try:
            limits.append(iso_limit(points, fit, context.criteria, shape[0] * shape[1], frame_shape=shape))
        except LimitsError as error:
            if not _nothing_of_a_role(groups, context.protocol):  # else said already, with what to do
                no_limit.append(f"{error.what}; {error.fix}")
    transfer = photon_transfer(planes)
    section = noise_section(points, fit, planes, groups, context.criteria, shape, transfer)
    return Section(
        curves={"noise": section},
        arrays=transfer.files(),
        records=records,
        limits=tuple(limits),
        missing=tuple(missing),
        notes=(*notes, *no_limit),
        no_limit=tuple(no_limit),
        shape=shape,
    )


def _roles(
    records: Sequence[FrameRecord],
    groups: Mapping[float, Mapping[str, Any]],
    planes: Mapping[float, Sequence[PlanePairs]],
    points: Sequence[NoisePoint],
    protocol: Protocol,
) -> tuple[FrameRecord, ...]:
    """Give each measured frame its role, its step and the flags of its pairs; a frame without a partner is left out."""
    steps = {step.role: step for step in reversed(protocol.step)}
    unpaired = {file for group in groups.values() for file in group["unpaired"]}
    iso_changed = _iso_changed(records, groups, unpaired)
    good_flats: dict[float, bool] = {}
    of_pairs: dict[tuple[float, str], dict[str, tuple[str, ...]]] = {}
    out: list[FrameRecord] = []
    for record in records:
        group = None if record.iso is None else groups.get(record.iso)
        role = None if group is None else group["roles"].get(record.file)
        if record.status == "rejected" or record.reason or group is None or role is None:
            out.append(record)
            continue
        label = step_label(protocol, steps[role], record.iso) if role in steps else f"{role} ISO {record.iso:g}"
        if record.role == role and record.step is not None:  # the user said which
            label = record.step
        if record.iso is not None and (record.iso, role) not in of_pairs:
            of_pairs[record.iso, role] = _flags_by_file(planes[record.iso], group, role)
        sources = _sources(planes[record.iso]) if record.iso is not None else ()
        own = of_pairs.get((record.iso or math.nan, role), {}).get(record.file, sources)
        flags = frame_flags_as_of_points(own, [point for point in points if point.iso == record.iso], role)
        clipping = next((step for step in protocol.step if step.role == role and step.clips), None)
        if record.iso is not None and record.iso not in good_flats:
            good_flats[record.iso] = _has_good_flats(planes[record.iso])
        if "clipped" in flags and clipping is not None and good_flats[record.iso or 0.0]:
            label = step_label(protocol, clipping, record.iso)
            flags.remove("clipped")  # on purpose: it tells saturation
        record = replace(record, role=role, step=label)
        if record.file not in unpaired and record.iso is not None:
            out.append(replace(record, status="used").with_flags(flags))
        else:
            lone = ["no-pair", "iso-changed"] if record.file in iso_changed else ["no-pair"]
            out.append(record.with_flags(lone).unmatched("left without a partner of the same settings"))
    return tuple(out)


def _iso_changed(
    records: Sequence[FrameRecord], groups: Mapping[float, Mapping[str, Any]], unpaired: Set[str]
) -> set[str]:
    """Return the lone flats that were shot as a pair while the ISO changed."""
    flats = []
    for record in sorted(records, key=capture_order):
        role = groups.get(record.iso or math.nan, {}).get("roles", {}).get(record.file)
        if record.iso is not None and role == "flat":
            paired = record.file not in unpaired
            flats.append(FlatInOrder(record.file, record.iso, record.shutter_s, record.f_number, paired))
    return iso_changed_between(flats)


def _clipped_on_purpose(point: NoisePoint, protocol: Protocol) -> NoisePoint:
    """Return the point without `clipped` where a step asks for clipped flats, and others gave the gain."""
    if not any(step.clips for step in protocol.step) or math.isnan(point.gain_e_per_dn):
        return point
    return replace(point, flags=tuple(flag for flag in point.flags if flag != "clipped"))


def _has_good_flats(planes: Sequence[PlanePairs]) -> bool:
    greens = (plane for plane in planes if plane.colour[0] == "G")
    return any(not rejects(flags) for plane in greens for flags in values_of(plane.flats, "flags"))


def _flags_by_file(planes: Sequence[PlanePairs], group: Mapping[str, Any], role: str) -> dict[str, tuple[str, ...]]:
    """Return per file where black came from and the flags of the pairs that it is in; of a colour other than green
    those that do not reject.

    A blue that is too dark in warm light costs the blue point, not the frame.
    """
    sets = list(FrameSets.from_dict(group[f"{role}_sets"]))
    green: dict[str, dict[str, None]] = {}
    others: dict[str, dict[str, None]] = {}
    for plane in planes:
        found = green if plane.colour in ("G", "G1", "G2") else others
        own_flags = values_of(plane.darks, "flags") if role == "dark" else values_of(plane.flats, "flags")
        flags = [dict.fromkeys(own) for own in own_flags]
        for number in range(len(sets) - 1, -1, -1):
            if (earlier := sets[number].earlier) is not None:
                flags[earlier] |= flags[number]  # its files are in this pair too
        for one, own in zip(sets, flags, strict=True):
            for file in one.files:
                found.setdefault(file, {}).update(own)
    sources = _sources(planes)
    different: dict[tuple[str, ...], tuple[str, ...]] = {}  # one object for all frames with the same
    out: dict[str, tuple[str, ...]] = {}
    for file in dict.fromkeys((*green, *others)):
        told = (flag for flag in others.get(file, ()) if not rejects([flag]))
        names = (*sources, *green.get(file, ()), *told)
        out[file] = different.setdefault(names, names)
    return out


def _sources(planes: Sequence[PlanePairs]) -> tuple[str, ...]:
    return tuple(sorted({flag for plane in planes if (flag := BLACK_FLAGS.get(plane.black_source))}))


def _asks_for_darks(protocol: Protocol) -> bool:
    return any(step.role == "dark" and not step.optional for step in protocol.step)


def _nothing_of_a_role(groups: Mapping[float, Mapping[str, Any]], protocol: Protocol) -> str:
    """Return that there are no flats at all, or no dark frames though asked for, as one sentence; else ""."""
    roles = {role for group in groups.values() for role in group["roles"].values()}
    if roles == {"dark"}:
        return _NO_FLATS
    if roles == {"flat"} and _asks_for_darks(protocol):
        return "there are no dark frames: read noise was not measured; noise-quick gives a limit without them"
    return ""


def _missing(
    context: RunContext,
    records: Sequence[FrameRecord],
    groups: Mapping[float, Mapping[str, Any]],
    points: Sequence[NoisePoint],
) -> list[str]:
    bare = _nothing_of_a_role(groups, context.protocol)
    missing: list[str] = [bare] if bare else []
    asked = {record.iso for record in context.records if record.iso is not None and not record.reason}
    green = {point.iso: point for point in points if point.channel == "G"}
    for iso in sorted(asked):
        point = green.get(iso)
        if point is None:
            why = "not measured" if iso not in groups else "no frame could be opened"
            missing.append(f"ISO {iso:g}: {why}")
        elif bare and (math.isfinite(point.gain_e_per_dn) or bare == _NO_FLATS):
            continue  # said of all
        elif math.isnan(point.gain_e_per_dn) or (math.isnan(point.read_noise_e) and _asks_for_darks(context.protocol)):
            what = "gain" if math.isnan(point.gain_e_per_dn) else "read noise"
            causes = [FLAGS[flag].text for flag in point.flags if FLAGS[flag].severity is not Severity.NOTE]
            missing.append(f"ISO {iso:g}: no {what} ({'; '.join(causes) or 'see the flags'})")
    # an ISO all of whose frames were rejected before any was opened
    rejected = {record.iso for record in records if record.iso is not None and record.status == "rejected"}
    missing += [f"ISO {iso:g}: every frame was rejected" for iso in sorted(rejected - asked)]
    return missing
