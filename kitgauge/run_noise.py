"""A noise run: pairs per ISO, points, the ISO model, the personal ISO limit."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from kitgauge.errors import FitError, LimitsError
from kitgauge.fit.noise_iso import NoiseFit, fit_noise_iso
from kitgauge.flags import FLAGS, Severity, rejects
from kitgauge.ingest.edge_frames import BLACK_FLAGS
from kitgauge.ingest.iso_group import by_iso, iso_task
from kitgauge.ingest.match import step_label
from kitgauge.ingest.record import FrameRecord
from kitgauge.limits.iso_limit import iso_limit, picture_scale
from kitgauge.limits.model import Limit
from kitgauge.measure.black_level import settle_black
from kitgauge.measure.dark_pair import DarkPair
from kitgauge.measure.noise_points import MIDGREY_FRACTION_OF_SATURATION, NoisePoint, PlanePairs, noise_points, snr
from kitgauge.measure.photon_transfer import FlatPair
from kitgauge.protocol.model import Protocol
from kitgauge.run_context import Results, RunContext, Section, common_shape, with_refusals

_CURVE_POINTS = 60


def measure(context: RunContext, results: Results) -> None:
    """Measure the flats and darks of each ISO, into `results`."""
    groups = by_iso(context.records)
    context.run("measuring ISO values", [iso_task(iso, group, context.cache) for iso, group in groups.items()], results)


def conclude(context: RunContext, results: Results) -> Section:
    """Return points, fit and limit of what was measured."""
    records = with_refusals(context.records, results)
    groups = {iso: results[label] for iso in by_iso(context.records) if (label := f"ISO {iso:g}") in results}
    planes = settle_black({iso: _planes(group) for iso, group in groups.items()})
    records = _roles(records, groups, planes, context.protocol)
    shape = common_shape(results)
    points = [point for iso, pairs in planes.items() if pairs for point in noise_points(iso, pairs)]
    missing = _missing(context, records, groups, points)
    notes: list[str] = []
    fit: NoiseFit | None = None
    limits: list[Limit] = []
    try:
        fit = fit_noise_iso(points)
    except FitError as error:
        missing.append(f"{error.what}: got {error.got}, needed {error.needed}")
    if shape is not None and shape[0] * shape[1] < 0.9e6 * context.criteria.output_mp:
        notes.append(
            f"the picture of {context.criteria.output_mp:g} MP is larger than the camera's "
            f"{shape[0] * shape[1] / 1e6:.2g} MP: the limit is for an enlargement "
            "(--criterion output_mp=... sets the size used)"
        )
    if shape is not None:
        try:
            limits.append(iso_limit(points, fit, context.criteria, shape[0] * shape[1]))
        except LimitsError as error:
            notes.append(f"{error.what} ({error.where}: {error.got}); {error.fix}")
    section = {
        "points": [point.as_dict() for point in points],
        "fit": None if fit is None else {**fit.as_dict(), "curves": _curves(points, fit)},
    }
    if limits and shape is not None:
        limits = [_with_pixel_snr(limit, points, shape) for limit in limits]
    return Section(
        curves={"noise": section},
        records=records,
        limits=tuple(limits),
        missing=tuple(missing),
        notes=tuple(notes),
        shape=shape,
    )


def _planes(group: Mapping[str, Any]) -> list[PlanePairs]:
    return [
        PlanePairs(
            colour=plane["colour"],
            flats=tuple(FlatPair.from_dict(pair) for pair in plane["flat_pairs"]),
            darks=tuple(DarkPair.from_dict(pair) for pair in plane["dark_pairs"]),
            black_dn=plane["black_dn"],
            black_source=plane["black_source"],
        )
        for plane in group["planes"]
    ]


def _roles(
    records: Sequence[FrameRecord],
    groups: Mapping[float, Mapping[str, Any]],
    planes: Mapping[float, Sequence[PlanePairs]],
    protocol: Protocol,
) -> tuple[FrameRecord, ...]:
    """Give each measured frame its role, its step and the flags of its pairs; a frame without a partner is left out."""
    steps = {step.role: step for step in reversed(protocol.step)}
    out: list[FrameRecord] = []
    for record in records:
        group = None if record.iso is None else groups.get(record.iso)
        frame = None if group is None else group["frames"].get(record.file)
        if record.status == "rejected" or record.reason or group is None or frame is None:
            out.append(record)
            continue
        role = frame["role"]
        label = step_label(protocol, steps[role], record.iso) if role in steps else f"{role} ISO {record.iso:g}"
        record = replace(record, role=role, step=label)
        if frame["paired"] and record.iso is not None:
            out.append(replace(record, status="used").with_flags(_frame_flags(planes[record.iso], role)))
        else:
            out.append(record.with_flags(["no-pair"]).unmatched("left without a partner of the same settings"))
    return tuple(out)


def _frame_flags(planes: Sequence[PlanePairs], role: str) -> list[str]:
    """Return where black came from and the flags of all pairs of a role; of a colour other than green those that
    do not reject.

    A blue that is too dark in warm light costs the blue point, not the frame.
    """
    green: dict[str, None] = {}
    others: dict[str, None] = {}
    for plane in planes:
        found = green if plane.colour in ("G", "G1", "G2") else others
        pairs: Sequence[FlatPair | DarkPair] = plane.darks if role == "dark" else plane.flats
        found |= dict.fromkeys(flag for pair in pairs for flag in pair.flags)
    sources = sorted({flag for plane in planes if (flag := BLACK_FLAGS.get(plane.black_source))})
    return [*sources, *green, *(flag for flag in others if not rejects([flag]))]


def _missing(
    context: RunContext,
    records: Sequence[FrameRecord],
    groups: Mapping[float, Mapping[str, Any]],
    points: Sequence[NoisePoint],
) -> list[str]:
    missing: list[str] = []
    asked = {record.iso for record in context.records if record.iso is not None and not record.reason}
    green = {point.iso: point for point in points if point.channel == "G"}
    for iso in sorted(asked):
        point = green.get(iso)
        if point is None:
            why = "not measured" if iso not in groups else "no frame could be opened"
            missing.append(f"ISO {iso:g}: {why}")
        elif math.isnan(point.gain_e_per_dn) or math.isnan(point.read_noise_e):
            what = "gain" if math.isnan(point.gain_e_per_dn) else "read noise"
            causes = [FLAGS[flag].text for flag in point.flags if FLAGS[flag].severity is not Severity.NOTE]
            missing.append(f"ISO {iso:g}: no {what} ({'; '.join(causes) or 'see the flags'})")
    # an ISO all of whose frames were rejected before any was opened
    rejected = {record.iso for record in records if record.iso is not None and record.status == "rejected"}
    missing += [f"ISO {iso:g}: every frame was rejected" for iso in sorted(rejected - asked)]
    return missing


def _with_pixel_snr(limit: Limit, points: Sequence[NoisePoint], shape: tuple[int, int]) -> Limit:
    """Note the SNR of one pixel that the criterion asks for, so that the picture of SNR against ISO can mark it."""
    nearest = min(
        (point for point in points if point.channel == "G" and math.isfinite(point.snr_midgrey)),
        key=lambda point: abs(math.log(point.iso / limit.value["iso"])),
    )
    scale = picture_scale(nearest, shape[0] * shape[1], limit.criterion["output_mp"])
    return replace(limit, extra={**limit.extra, "snr_pixel": limit.criterion["snr"] / scale})


def _curves(points: Sequence[NoisePoint], fit: NoiseFit) -> dict[str, dict[str, list[float]]]:
    """Return the fitted model sampled over the measured ISO range, green: read noise and SNR at mid-grey.

    Bands (95 %) come from draws of the fitted parameters' covariance with a fixed seed; `low` and `high` are NaN
    where the fit has no covariance.
    """
    green = [point for point in points if point.channel == "G" and math.isfinite(point.read_noise_e)]
    isos = np.geomspace(min(p.iso for p in green), max(p.iso for p in green), _CURVE_POINTS)
    if fit.dual_gain_iso is not None:  # the step is drawn where it is: between two measured values
        isos = np.unique(np.concatenate([isos, [fit.dual_gain_iso * (1 - 1e-6), fit.dual_gain_iso]]))
    span_dn = float(np.mean([p.white_dn - p.black_dn for p in green]))
    gains = np.array([fit.gain_e_per_dn(iso) for iso in isos])
    reads = np.array([fit.read_noise_e(iso) for iso in isos])

    def snrs(read_noise_e: np.ndarray) -> np.ndarray:
        return np.array(
            [
                snr(MIDGREY_FRACTION_OF_SATURATION * gain * span_dn, read, gain)
                for gain, read in zip(gains, read_noise_e, strict=True)
            ]
        )

    low = high = np.full_like(reads, math.nan)
    if np.isfinite(fit.result.covariance).all():
        draws = np.random.default_rng(0).multivariate_normal(fit.result.values, fit.result.covariance, size=400)
        second = np.array([fit.dual_gain_iso is not None and iso >= fit.dual_gain_iso for iso in isos])
        sigma_0 = np.where(second, draws[:, [-2]], draws[:, [0]])
        low, high = np.percentile(np.hypot(sigma_0, draws[:, [-1]] * gains), [2.5, 97.5], axis=0)
    return {
        "read_noise_e": _sampled(isos, reads, low, high),
        "snr_midgrey": _sampled(isos, snrs(reads), snrs(high), snrs(low)),
    }


def _sampled(x: np.ndarray, y: np.ndarray, low: np.ndarray, high: np.ndarray) -> dict[str, list[float]]:
    return {"x": x.tolist(), "y": y.tolist(), "low": low.tolist(), "high": high.tolist()}
