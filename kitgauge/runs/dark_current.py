"""A dark-current run: dark pairs per exposure time, the gain from a flat pair, rates, hot pixels."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.stats import chi2

from kitgauge.errors import FitError, IngestError
from kitgauge.exposure import format_shutter
from kitgauge.fit.noise.dark_current import DarkCurrentFit, DarkPoint, fit_dark_current, rate_text, subtracted_from_s
from kitgauge.fit.noise.hot_pixels import DEFINITION, Candidates, hot_count, hottest_pixels
from kitgauge.fit.result import NORMAL_95
from kitgauge.flags import FLAGS
from kitgauge.ingest.dark_current import by_exposure, exposure_label, exposure_task, flats_among, lit_among
from kitgauge.ingest.match import step_label
from kitgauge.ingest.record import FrameRecord
from kitgauge.measure.noise.black_level import settle_black
from kitgauge.measure.noise.dark_current import DarkExposure
from kitgauge.measure.noise.dark_pair import DarkPair
from kitgauge.measure.noise.dark_subtraction import DarkEvidence, dark_subtracted
from kitgauge.measure.noise.noise_points import QUANTISATION_DN2, NoisePoint, PlanePairs, noise_points
from kitgauge.measure.noise.photon_transfer import FlatPair
from kitgauge.protocol.model import Protocol
from kitgauge.runs.context import Results, RunContext, Section, common_shape, with_refusals

_DIFFERENT_COLOURS_P = 1e-3


@dataclass(frozen=True)
class _Pair:
    """A pair of frames as measured, with its exposure time [s] and, once told, its role."""

    exposure_s: float
    files: tuple[str, str]
    planes: tuple[Mapping[str, Any], ...]
    role: str
    taken_s: float
    subtracted: bool = False  # the camera took a dark frame away
    lit: bool = False  # brighter than heat makes a frame in that time

    @property
    def exposures(self) -> list[DarkExposure]:
        return [DarkExposure.from_dict(plane["exposure"]) for plane in self.planes]

    @property
    def flags(self) -> tuple[str, ...]:
        own = [flag for exposure in self.exposures for flag in exposure.flags]
        told = (("dark-subtracted", self.subtracted), ("light-leak", self.lit))
        return tuple(dict.fromkeys([*own, *(flag for flag, seen in told if seen)]))


def measure(context: RunContext, results: Results) -> None:
    """Measure the frames of each exposure time, the flats among them, into `results`.

    Raises IngestError for developed pictures: their black is no longer the sensor's.
    """
    if context.kit.developed:
        raise IngestError(
            "no raw frames in this folder",
            got="developed pictures only (JPEG, TIFF or PNG)",
            needed="raw frames: developing takes the dark level away and paints over hot pixels",
            fix="set the camera to record raw and shoot the series again",
        )
    records, _ = _one_iso(context.records)
    groups = by_exposure(records)
    context.run(
        "measuring exposure times",
        [exposure_task(time, group, context.cache) for time, group in groups.items()],
        results,
    )


def conclude(context: RunContext, results: Results) -> Section:
    """Return points, rates and hot pixels of what was measured."""
    records, others = _one_iso(with_refusals(context.records, results))
    pairs = _with_subtraction(_pairs(records, results))
    darks = [pair for pair in pairs if pair.role == "dark"]
    iso = next((record.iso for record in records if record.iso is not None and not record.reason), None)
    noise = _gain_points(iso, pairs)
    missing: list[str] = []
    gain, gain_stderr = _gain(noise)
    if math.isnan(gain):
        clipped = any("clipped" in point.flags for point in noise)
        why = "no gain: the flats are clipped" if clipped else "no gain"
        missing.append(f"{why}: rates are known in DN only; shoot a pair of flats at the ISO of the dark frames")
    section: dict[str, Any] = {"points": [point.as_dict() for point in noise], "fit": None, "dark_current": None}
    usable = [pair for pair in darks if not _spoiled(pair)]
    doubt = _left_out(darks)
    missing = ([doubt] if doubt else []) + missing
    try:
        fit = fit_dark_current([_point(pair) for pair in usable], gain, gain_stderr)
        section["dark_current"] = _dark_section(iso, gain, gain_stderr, fit, usable, doubt)
    except FitError as error:
        if darks and not usable:
            missing.append("no dark current: no pair of dark frames is left")
        else:
            missing.append(f"{error.what}: got {error.got}, needed {error.needed}")
    return Section(
        curves={"noise": section},
        records=(*_settled(records, pairs, context.protocol), *others),
        missing=tuple(missing),
        shape=common_shape(results),
    )


def _one_iso(records: Sequence[FrameRecord]) -> tuple[list[FrameRecord], list[FrameRecord]]:
    """Return the frames of the ISO that most frames in use have, and the others, unmatched."""
    counts = Counter(record.iso for record in records if record.status != "rejected" and not record.reason)
    if not counts:
        return list(records), []
    chosen = max(counts, key=lambda iso: (counts[iso], iso is not None))
    mine: list[FrameRecord] = []
    others: list[FrameRecord] = []
    for record in records:
        if record.iso == chosen or record.reason or record.status == "rejected":
            mine.append(record)
        else:
            said = "ISO not known" if record.iso is None else f"ISO {record.iso:g}"
            series = "no known ISO" if chosen is None else f"ISO {chosen:g}"
            others.append(record.unmatched(f"{said}: the series is at {series}"))
    return mine, others


def _pairs(records: Sequence[FrameRecord], results: Results) -> list[_Pair]:
    taken = {record.file: record.taken_at for record in records}
    first = min((moment for moment in taken.values() if moment is not None), default=None)
    found = [
        (time, pair)
        for time in by_exposure(records)
        for pair in (results.get(exposure_label(time)) or {}).get("pairs", [])
        if all(file in taken for file in pair["files"])
    ]
    flats = flats_among(found)

    def seconds(file: str) -> float:
        moment = taken[file]
        return math.nan if moment is None or first is None else (moment - first).total_seconds()

    return [
        _Pair(
            exposure_s=time,
            files=(pair["files"][0], pair["files"][1]),
            planes=tuple(pair["planes"]),
            role="flat" if flat else "dark",
            taken_s=0.5 * (seconds(pair["files"][0]) + seconds(pair["files"][1])),
            lit=lit and not flat,
        )
        for (time, pair), flat, lit in zip(found, flats, lit_among(found), strict=True)
    ]


def _with_subtraction(pairs: Sequence[_Pair]) -> list[_Pair]:
    """Return the pairs, those marked from which the camera had taken a dark frame away."""
    darks = [pair for pair in pairs if pair.role == "dark"]
    evidence = [
        DarkEvidence(
            exposure_s=pair.exposure_s,
            mean_dn=point.level_dn,
            variance_dn2=point.variance_dn2,
            variance_stderr_dn2=point.variance_stderr_dn2,
            cold=sum(exposure.cold_samples for exposure in pair.exposures),
            hot=sum(exposure.hot_samples for exposure in pair.exposures),
            clipped=False,
        )
        for pair in darks
        for point in (_point(pair),)
    ]
    # a level that stays while the noise rises is no evidence here: cameras hold it by their masked pixels
    seen = dark_subtracted(evidence, math.nan)
    start = subtracted_from_s([_point(pair) for pair in darks])
    marked = {pair.files for pair, found in zip(darks, seen, strict=True) if found or pair.exposure_s >= start}
    return [replace(pair, subtracted=pair.files in marked) for pair in pairs]


def _gain_points(iso: float | None, pairs: Sequence[_Pair]) -> list[NoisePoint]:
    """Return what all flats and the shortest dark pair tell, the gain above all; nothing without flats."""
    flats = [pair for pair in pairs if pair.role == "flat"]
    darks = [pair for pair in pairs if pair.role == "dark" and not _spoiled(pair)]
    if iso is None or not flats:
        return []
    shortest = min(darks, key=lambda pair: pair.exposure_s, default=None)
    dark_planes = {} if shortest is None else {_position(plane): plane for plane in shortest.planes}
    by_position: dict[tuple[Any, ...], list[Mapping[str, Any]]] = {}
    for plane in (plane for pair in flats for plane in pair.planes):
        by_position.setdefault(_position(plane), []).append(plane)
    planes = [
        PlanePairs(
            colour=lit[0]["colour"],
            flats=tuple(FlatPair.from_dict(plane["flat_pair"]) for plane in lit),
            darks=(DarkPair.from_dict(dark_planes[position]["dark_pair"]),) if position in dark_planes else (),
            black_dn=lit[0]["black_dn"],
            black_source=lit[0]["black_source"],
        )
        for position, lit in by_position.items()
    ]
    return noise_points(iso, settle_black({iso: planes})[iso])


def _position(plane: Mapping[str, Any]) -> tuple[Any, ...]:
    return plane["colour"], plane["row_offset"], plane["column_offset"]


def _gain(points: Sequence[NoisePoint]) -> tuple[float, float]:
    """Return the gain [e-/DN] and its error, all colours together: they share one amplifier."""
    single = [p for p in points if (p.channel != "G" or len(points) < 5) and math.isfinite(p.gain_e_per_dn_stderr)]
    if not single:
        return math.nan, math.nan
    weights = np.array([p.gain_e_per_dn_stderr for p in single]) ** -2.0
    gains = np.array([p.gain_e_per_dn for p in single])
    return float((weights * gains).sum() / weights.sum()), float(weights.sum() ** -0.5)


def _spoiled(pair: _Pair) -> list[str]:
    return [flag for flag in pair.flags if flag in ("clipped-black", "dark-subtracted", "light-leak")]


def _left_out(darks: Sequence[_Pair]) -> str:
    """Return which dark pairs were left out and why, empty where all serve."""
    spoiled = [pair for pair in darks if _spoiled(pair)]
    if not spoiled:
        return ""
    times = ", ".join(dict.fromkeys(format_shutter(pair.exposure_s) for pair in spoiled))
    # what else the advice of these flags says is about read noise
    reasons = sorted({FLAGS[flag].text.split(":")[0] for pair in spoiled for flag in _spoiled(pair)})
    return f"{len(spoiled)} of {len(darks)} dark pairs left out ({times}): {'; '.join(reasons)}"


def _point(pair: _Pair, colour: str | None = None) -> DarkPoint:
    measured = zip(pair.planes, pair.exposures, strict=True)
    chosen = [exposure for plane, exposure in measured if colour in (None, plane["colour"])]
    count = len(chosen)
    return DarkPoint(
        exposure_s=pair.exposure_s,
        level_a_dn=float(np.mean([e.level_a_dn for e in chosen])),
        level_b_dn=float(np.mean([e.level_b_dn for e in chosen])),
        level_stderr_dn=math.sqrt(sum(e.level_stderr_dn**2 for e in chosen)) / count,
        variance_dn2=float(np.mean([e.variance_dn2 for e in chosen])),
        variance_stderr_dn2=math.sqrt(sum(e.variance_stderr_dn2**2 for e in chosen)) / count,
        taken_s=pair.taken_s,
    )


def _candidates(pair: _Pair) -> Candidates:
    """Return what stands out in a pair, all planes together, in frame coordinates."""
    counts: Counter[int] = Counter()
    listed: list[tuple[float, int, int, bool]] = []
    pixels = 0
    for plane, exposure in zip(pair.planes, pair.exposures, strict=True):
        pixels += exposure.samples
        counts.update(dict(zip(exposure.candidate_dn, exposure.candidate_samples, strict=True)))
        for row, column, excess, clipped in zip(
            exposure.rows, exposure.columns, exposure.excess_dn, exposure.clipped, strict=True
        ):
            x = plane["column_offset"] + column * plane["column_step"]
            y = plane["row_offset"] + row * plane["row_step"]
            listed.append((excess, x, y, clipped))
    codes = sorted(counts)
    return Candidates(
        exposure_s=pair.exposure_s,
        pixels=pixels,
        excess_dn=tuple(codes),
        samples=tuple(counts[code] for code in codes),
        x=tuple(item[1] for item in listed),
        y=tuple(item[2] for item in listed),
        brightest_dn=tuple(item[0] for item in listed),
        clipped=tuple(item[3] for item in listed),
    )


def _dark_section(
    iso: float | None, gain: float, gain_stderr: float, fit: DarkCurrentFit, pairs: Sequence[_Pair], doubt: str
) -> dict[str, Any]:
    read_noise_dn = math.sqrt(max(_point(pairs[0]).variance_dn2 - QUANTISATION_DN2, 0.0))
    found = [_candidates(pair) for pair in pairs]
    points = []
    for pair, candidates, level_stderr in zip(pairs, found, fit.level_stderr_dn, strict=True):
        point = _point(pair)
        count = hot_count(candidates, read_noise_dn)
        points.append(
            {
                "exposure_s": pair.exposure_s,
                "level_dn": point.level_dn,
                "level_stderr_dn": level_stderr,
                "variance_dn2": point.variance_dn2,
                "variance_stderr_dn2": point.variance_stderr_dn2,
                "dsnu_dn": math.sqrt(float(np.mean([e.dsnu_dn**2 for e in pair.exposures]))),
                "hot_pixels": count,
                "hot_pixels_per_mp": count / (candidates.pixels / 1e6),
                "flags": list(pair.flags),
            }
        )
    hot = hottest_pixels(found, read_noise_dn, gain)
    flags = list(dict.fromkeys(flag for pair in pairs for flag in pair.flags))
    if fit.temperature_changed:
        flags.append("temperature-changed")
    sentences = [*([f"{doubt}."] if doubt else []), fit.text]
    if fit.temperature_changed:
        went = "rose" if fit.change > 0 else "fell"
        sentences.append(
            f"The rate {went} by about {abs(fit.change):.0%} from the first frame to the last: the temperature of the "
            "sensor changed. The rate is that in the middle of the series."
        )
    sentences += _as_much_as_reading(fit, read_noise_dn * gain)
    longest = points[-1]
    sentences.append(
        f"At {format_shutter(pairs[-1].exposure_s)} there are {longest['hot_pixels']} hot pixels "
        f"({longest['hot_pixels_per_mp']:.3g} per megapixel)."
    )
    return {
        "iso": iso,
        "gain_e_per_dn": gain,
        "gain_e_per_dn_stderr": gain_stderr,
        "read_noise_dn": read_noise_dn,
        "points": points,
        **fit.as_dict(),
        "colours": _colours(pairs, gain, fit),
        "hot_pixels": [pixel.as_dict() for pixel in hot],
        "hot_pixel_definition": DEFINITION,
        "text": " ".join(sentences),
        "flags": flags,
    }


def _as_much_as_reading(fit: DarkCurrentFit, read_noise_e: float) -> list[str]:
    """Say after which time dark current adds as much noise as reading out: sigma_r^2 = I t."""
    rate, stderr = fit.best
    if not rate > NORMAL_95 * stderr:
        return []
    return [f"It adds as much noise as reading out the frame does after about {read_noise_e**2 / rate:.2g} s."]


def _colours(pairs: Sequence[_Pair], gain: float, whole: DarkCurrentFit) -> list[dict[str, Any]]:
    """Return the rates of each colour where they differ significantly, else an empty list.

    All colours share one gain, so only the errors of their slopes count.
    """
    names = sorted({plane["colour"] for plane in pairs[0].planes})
    fits = {name: fit_dark_current([_point(pair, name) for pair in pairs], gain, 0.0) for name in names}
    rates = np.array([fit.best[0] if fit.route == whole.route else math.nan for fit in fits.values()])
    errors = np.array([fit.best[1] for fit in fits.values()])
    if len(names) < 2 or not np.all(np.isfinite(rates)) or not np.all(errors > 0):
        return []
    mean = float((rates / errors**2).sum() / (1 / errors**2).sum())
    chi_square = float((((rates - mean) / errors) ** 2).sum())
    if chi2.sf(chi_square, len(names) - 1) > _DIFFERENT_COLOURS_P or float(np.ptp(rates)) < 0.1 * abs(mean):
        return []
    return [
        {
            "channel": name,
            "rate_e_per_s": fit.rate_e_per_s,
            "rate_stderr": fit.rate_stderr,
            "rate_from_variance_e_per_s": fit.rate_from_variance_e_per_s,
            "rate_from_variance_stderr": fit.rate_from_variance_stderr,
            "text": f"{name}: {rate_text(*fit.best)}",
        }
        for name, fit in fits.items()
    ]


def _settled(records: Sequence[FrameRecord], pairs: Sequence[_Pair], protocol: Protocol) -> tuple[FrameRecord, ...]:
    """Give each paired frame its role, its step and the flags of its pair; one without a partner is left out."""
    by_file = {file: pair for pair in pairs for file in pair.files}
    steps = {step.role: step for step in reversed(protocol.step)}
    out: list[FrameRecord] = []
    for record in records:
        pair = by_file.get(record.file)
        if record.status == "rejected" or record.reason:
            out.append(record)
        elif pair is None:
            out.append(record.with_flags(["no-pair"]).unmatched("left without a partner of the same settings"))
        else:
            step = steps.get(pair.role)  # type: ignore[call-overload]
            value = None if step is None or step.at == "once" else record.shutter_s
            label = pair.role if step is None else step_label(protocol, step, value)
            flags = pair.flags if pair.role == "dark" else ()
            out.append(replace(record, role=pair.role, step=label, status="used").with_flags(flags))
    return tuple(out)
