"""The curves behind the accepted limits, read from the `curves.json` of their runs, for predictions.

Only fields of the file contract are used, so any run serves whichever version wrote it. Between measured
points: SNR is interpolated in log SNR against log ISO, MTF50 in MTF50 against log f-number; nothing is
carried beyond the measured range. Pure standard library.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from kitgauge.errors import ResultsError
from kitgauge.exposure import MIDGREY_FRACTION_OF_SATURATION, exact_f_number, exact_iso
from kitgauge.limits.viewing import picture_noise_power, picture_scale
from kitgauge.planner.curve_points import Points, between_focal_lengths, interpolated, sorted_points
from kitgauge.planner.focusing import Focusing, focusing_of
from kitgauge.planner.request import FULL_FRAME_DIAGONAL_MM
from kitgauge.planner.streak_model import StreakSpread, streak_spread

if TYPE_CHECKING:
    from kitgauge.limits.reading import LimitsFile

_LEAST_POWER = 1e-6  # of white noise: nothing is free of noise
_FEWEST_BANDS, _MOST_BANDS = 4, 1000


class NoiseSpectrum(NamedTuple):
    """Noise power of green at one exact ISO, relative to white noise, in squares that end at k/n of the plane's Nyquist
    frequency, k = 1 ... n; None where it is white. `plane_pitch_px` is the spacing of the plane's samples.
    """

    iso: float
    relative_power: tuple[float, ...] | None
    plane_pitch_px: int

    def power(self, sensor_pixels: float, output_mp: float) -> float:
        """Return the noise power, relative to white noise, that a picture of `output_mp` megapixels shows."""
        power = picture_noise_power(self.relative_power, self.plane_pitch_px, sensor_pixels, output_mp)
        return max(power, _LEAST_POWER)


@dataclass(frozen=True)
class KitModel:
    """What is known of a kit beyond its limits. Every field may be empty.

    `noise` holds (ISO, SNR at mid-grey per pixel, stderr) of the pooled green channel, `spectra` its noise where that
    was measured, for pictures made smaller; `mtf50` (f-number, MTF50 in cycles/pixel, stderr) per (lens, focal_mm,
    region); `streaks` the blur fits; `focusing` per run how well focusing hits; `electrons` (ISO, saturation, read
    noise) [e-] of the pooled green channel. Frame facts are None where the runs do not tell them; `frame_px` is (rows,
    columns). `notes` tell what was not read.
    """

    noise: Points = ()
    spectra: tuple[NoiseSpectrum, ...] = ()
    mtf50: Mapping[tuple[str | None, float | None, str], Points] | None = None
    streaks: tuple[StreakSpread, ...] = ()
    sensor_pixels: float | None = None
    pixel_pitch_um: float | None = None
    frame_diagonal_mm: float | None = None
    focusing: Mapping[str, Focusing] = field(default_factory=dict)
    electrons: Points = ()
    frame_px: tuple[float, float] | None = None
    notes: tuple[str, ...] = ()

    def snr_per_pixel(self, iso: float) -> tuple[float, float]:
        """Return (SNR at mid-grey per pixel, standard error) at `iso`; NaN outside the measured range."""
        if not self.noise:
            return math.nan, math.nan
        logs = tuple((iso_, math.log(value), error / value) for iso_, value, error in self.noise)
        value, relative = interpolated(logs, iso)
        return math.exp(value), math.exp(value) * relative

    def snr_at_level(self, iso: float, stops: float) -> float:
        """Return SNR of one pixel `stops` above mid-grey over that at mid-grey, at `iso`.

        S/sqrt(S + r^2) by the measured saturation and read noise, of the nearest measured ISO; by photon noise alone
        where they are not known.
        """
        if not self.electrons or stops == 0:
            return math.sqrt(2**stops)
        nearest, saturation, read = min(self.electrons, key=lambda item: abs(math.log(item[0] / iso)))
        signal = MIDGREY_FRACTION_OF_SATURATION * saturation * nearest / iso
        return 2**stops * math.sqrt((signal + read**2) / (signal * 2**stops + read**2))

    def picture_scale(self, iso: float, output_mp: float, sensor_pixels: float) -> float:
        """Return SNR of a picture of `output_mp` megapixels over SNR per pixel at `iso`.

        The root of the ratio of pixels, less where the measured noise is not white; between two measured ISO values
        the power is interpolated in its logarithm against log ISO, beyond them level.
        """
        logs: Points = tuple(
            (item.iso, math.log(item.power(sensor_pixels, output_mp)), math.nan) for item in self.spectra
        )
        if not logs:
            return picture_scale(sensor_pixels, output_mp)
        power = math.exp(interpolated(logs, min(max(iso, logs[0][0]), logs[-1][0]))[0])
        return picture_scale(sensor_pixels, output_mp, power)

    def mtf50_at(self, f_number: float, lens: str | None, focal_mm: float | None, region: str) -> tuple[float, float]:
        """Return (MTF50 [cycles/pixel], standard error) in `region`; NaN where this lens or f-number is not
        measured.

        A lens or focal length of None stands for any, if only one was measured. Between two measured focal lengths of a
        zoom it is interpolated.
        """
        return interpolated(self._points(lens, focal_mm, region), f_number)

    def mtf50_errors(self, lens: str | None, focal_mm: float, region: str) -> Points:
        """Return the measured (f-number, MTF50 [cycles/pixel], standard error) of a lens, rising; none where it was not
        measured.
        """
        return self._points(lens, focal_mm, region)

    def _points(self, lens: str | None, focal_mm: float | None, region: str) -> Points:
        own = [
            (lens_, focal_, points)
            for (lens_, focal_, region_), points in (self.mtf50 or {}).items()
            if region_ == region and _same(lens, lens_)
        ]
        fitting = [points for _, focal_, points in own if _same_focal(focal_mm, focal_)]
        if fitting or focal_mm is None or len({lens_ for lens_, _, _ in own}) > 1:
            return fitting[0] if len(fitting) == 1 else ()
        return between_focal_lengths({focal_: points for _, focal_, points in own if focal_ is not None}, focal_mm)

    def f_numbers(self, lens: str | None, focal_mm: float | None) -> tuple[float, ...]:
        """Return the measured f-numbers of a lens, rising; none where it is not measured or cannot be
        told.
        """
        fitting = {
            key[:2]: points
            for key, points in (self.mtf50 or {}).items()
            if _same(lens, key[0]) and _same_focal(focal_mm, key[1])
        }
        return tuple(point[0] for point in next(iter(fitting.values()))) if len(fitting) == 1 else ()


def model_behind(file: LimitsFile) -> KitModel:
    """Return the model of the runs that the limits of `file` are from; later ones win.

    Runs outside of the kit's folder are not read, and `notes` say so. Raises what `read_kit_model` raises.
    """
    from kitgauge.limits.run_folders import run_folders  # only for a kit with limits: it costs start-up time

    found = run_folders(file)
    return replace(read_kit_model(found.folders), notes=found.notes)


def read_kit_model(runs: Mapping[str, Path]) -> KitModel:
    """Return the model of the `curves.json` of `runs`: folder by the run's name in the limits file; later
    ones win.

    A run that is no longer there is passed over (the limit it gave still stands); a file that is there but is
    not a `curves.json`, is of a newer schema or holds impossible numbers raises ResultsError.
    """
    model = KitModel()
    for name, folder in runs.items():
        file = folder / "curves.json"
        if _is_there(file):
            model = _merged(model, _load(file), name)
    return model


def _is_there(file: Path) -> bool:
    try:
        return file.is_file()
    except (OSError, ValueError):  # a name that no file can have
        return False


# What a measurement can give, wide; a number outside of it was not measured. (low, high), both included; 0 stands
# for unknown; less than 0 for what could not be measured, but for the facts of a kit.
_KIT_RANGES = {
    "focal_mm": (0.5, 20_000.0),
    "focal_35mm": (0.5, 100_000.0),
    "pixel_pitch_um": (0.01, 1000.0),
    "width_px": (1.0, 1e7),
    "height_px": (1.0, 1e7),
    "sensor_pixels": (1.0, 1e13),
}
_POINT_RANGES = {
    "iso": (0.1, 1e8),
    "f_number": (0.1, 1000.0),
    "f_number_exact": (0.1, 1000.0),
    "snr_midgrey": (1e-9, 1e9),
    "saturation_e": (1e-9, 1e15),
    "read_noise_e": (1e-30, 1e15),
    "read_noise_e_stderr": (1e-30, 1e15),
    "gain_e_per_dn": (1e-30, 1e15),
    "gain_e_per_dn_stderr": (1e-30, 1e15),
    "mtf50_cy_per_px": (1e-9, 1e3),
    "mtf50_cy_per_px_stderr": (1e-30, 1e9),
}


def _load(file: Path) -> dict[str, Any]:
    """Return the content of a curves file. ResultsError if it cannot be read or holds impossible numbers."""
    from kitgauge.runs.reading import read_json  # only for a kit with runs: it costs start-up time

    content = read_json(file)
    _check(_mapping(content.get("kit")), _KIT_RANGES, file, "kit", always_positive=True)
    for part in ("noise", "sharpness"):
        for number, point in enumerate(_records(_mapping(content.get(part)).get("points")), 1):
            _check(point, _POINT_RANGES, file, f"{part}.points, point {number}", always_positive=False)
    return content


def _check(
    values: Mapping[str, Any],
    ranges: Mapping[str, tuple[float, float]],
    file: Path,
    where: str,
    *,
    always_positive: bool,
) -> None:
    for name, (low, high) in ranges.items():
        value = values.get(name)
        if isinstance(value, bool) or not isinstance(value, int | float) or value != value or value == 0:
            continue
        if value > high or value < (low if always_positive or value > 0 else -high):
            raise ResultsError(
                "the curves of a run hold an impossible number",
                where=f"{file}, {where}, {name}",
                got=f"{value:g}" if abs(value) < 10**300 else "a whole number of more than 300 digits",
                needed=f"{low:g} to {high:g}",
                fix="run the protocol again, or drop its limit",
            )


def _merged(model: KitModel, curves: dict[str, Any], run: str) -> KitModel:
    kit = _mapping(curves.get("kit"))
    shutter_limits = [item for item in _records(curves.get("limits")) if item.get("kind") == "shutter"]
    circumstances = _mapping(shutter_limits[0] if shutter_limits else curves)
    noise = _noise(_mapping(curves.get("noise")))
    mtf50 = _sharpness(_mapping(curves.get("sharpness")), _text(kit.get("lens")), _known(kit.get("focal_mm")))
    known = model.mtf50 or {}
    spread = streak_spread(_mapping(curves.get("blur")), circumstances, run)
    focusing = focusing_of(_mapping(curves.get("sharpness")), _known(kit.get("pixel_pitch_um")))
    return replace(
        model,
        noise=noise or model.noise,
        spectra=_spectra(_mapping(curves.get("noise"))) if noise else model.spectra,
        mtf50={**mtf50, **known} if _developed(curves) else {**known, **mtf50},
        streaks=model.streaks if spread is None else (*model.streaks, spread),
        sensor_pixels=_known(kit.get("sensor_pixels")) or model.sensor_pixels,
        pixel_pitch_um=_known(kit.get("pixel_pitch_um")) or model.pixel_pitch_um,
        frame_diagonal_mm=_diagonal_mm(kit) or model.frame_diagonal_mm,
        focusing=model.focusing if focusing is None else {**model.focusing, run: focusing},
        electrons=_electrons(_mapping(curves.get("noise"))) if noise else model.electrons,
        frame_px=_frame_px(kit) or model.frame_px,
    )


def _developed(curves: dict[str, Any]) -> bool:
    """Tell whether sharpness was measured on developed pictures: it never takes the place of that of raw files."""
    points = _records(_mapping(curves.get("sharpness")).get("points"))
    flags = [point.get("flags") for point in points]
    return any(isinstance(names, list) and "rendered" in names for names in flags)


def _diagonal_mm(kit: Mapping[str, Any]) -> float | None:
    """Return the frame's diagonal from pixels and pitch, else from the two focal lengths that the camera
    recorded.
    """
    pixels = math.hypot(_number(kit.get("width_px")), _number(kit.get("height_px")))
    diagonal = _known(pixels * _number(kit.get("pixel_pitch_um")) / 1000)
    if diagonal is None and _number(kit.get("focal_35mm")) > 0:
        diagonal = _known(FULL_FRAME_DIAGONAL_MM * _number(kit.get("focal_mm")) / _number(kit.get("focal_35mm")))
    return diagonal


def _frame_px(kit: Mapping[str, Any]) -> tuple[float, float] | None:
    rows, columns = _known(kit.get("height_px")), _known(kit.get("width_px"))
    return None if rows is None or columns is None else (rows, columns)


def _electrons(noise: Mapping[str, Any]) -> Points:
    """Return (ISO, saturation [e-], read noise [e-]) of the pooled green channel, rising in ISO."""
    found = []
    for point in _records(noise.get("points")):
        iso, saturation, read = (_number(point.get(name)) for name in ("iso", "saturation_e", "read_noise_e"))
        if point.get("channel") == "G" and iso > 0 and saturation > 0 and read > 0:
            found.append((exact_iso(iso), saturation, read))
    return sorted_points(found)


def _noise(noise: Mapping[str, Any]) -> Points:
    """Return the points of the pooled green channel."""
    points = []
    for point in _records(noise.get("points")):
        iso, snr = (_number(point.get(name)) for name in ("iso", "snr_midgrey"))
        if point.get("channel") == "G" and iso > 0 and snr > 0:
            points.append((exact_iso(iso), snr, snr * _relative_snr_error(point)))
    return sorted_points(points)


def _spectra(noise: Mapping[str, Any]) -> tuple[NoiseSpectrum, ...]:
    """Return the spectra of the pooled green channel, rising in ISO; those that make no sense are passed over."""
    found: dict[float, NoiseSpectrum] = {}
    for entry in _records(noise.get("spectrum")):
        iso = _number(entry.get("iso"))
        powers, ends = (_numbers(entry.get(name)) for name in ("relative_power", "frequency_cy_per_px"))
        if entry.get("channel") != "G" or not iso > 0 or not _FEWEST_BANDS <= len(powers) <= _MOST_BANDS:
            continue
        if len(ends) != len(powers) or not 0 < ends[-1] <= 0.5 or not all(0 <= power < math.inf for power in powers):
            continue
        white = entry.get("white") is not False
        found[exact_iso(iso)] = NoiseSpectrum(exact_iso(iso), None if white else powers, round(0.5 / ends[-1]))
    return tuple(found[iso] for iso in sorted(found))


def _relative_snr_error(point: Mapping[str, Any]) -> float:
    """Return the relative standard error of S/sqrt(S + r^2), S mid-grey and r read noise [e-], from those of
    gain and r.

    d ln SNR = (1 - S/(2 (S + r^2))) d ln S - r dr/(S + r^2); S goes with the gain. NaN where either is not
    estimated.
    """
    signal = MIDGREY_FRACTION_OF_SATURATION * _number(point.get("saturation_e"))
    read = _number(point.get("read_noise_e"))
    gain_error = _number(point.get("gain_e_per_dn_stderr")) / (_number(point.get("gain_e_per_dn")) or math.nan)
    variance = signal + read**2 or math.nan
    by_signal = (1 - signal / (2 * variance)) * gain_error
    return math.hypot(by_signal, read * _number(point.get("read_noise_e_stderr")) / variance)


def _sharpness(
    sharpness: Mapping[str, Any], lens: str | None, focal_mm: float | None
) -> dict[tuple[str | None, float | None, str], Points]:
    """Return MTF50 per region: `both` orientations where the run gives them, else the mean of the two."""
    groups: dict[tuple[str, float], list[Mapping[str, Any]]] = {}
    for point in _records(sharpness.get("points")):
        f_number = _exact_f_number(point)
        if _number(point.get("mtf50_cy_per_px")) > 0 and f_number > 0 and point.get("channel") in (None, "G"):
            groups.setdefault((str(point.get("region")), f_number), []).append(point)
    regions: dict[str, list[tuple[float, float, float]]] = {}
    for (region, f_number), points in groups.items():
        chosen = [point for point in points if point.get("orientation") == "both"] or points
        count = len(chosen)
        value = sum(_number(point.get("mtf50_cy_per_px")) for point in chosen) / count
        error = math.sqrt(sum(_number(point.get("mtf50_cy_per_px_stderr")) ** 2 for point in chosen)) / count
        regions.setdefault(region, []).append((f_number, value, error))
    return {(lens, focal_mm, region): sorted_points(points) for region, points in regions.items()}


def _exact_f_number(point: Mapping[str, Any]) -> float:
    """Return the exact f-number of a point, from the marked one where only that is given; NaN without either."""
    exact, marked = _number(point.get("f_number_exact")), _number(point.get("f_number"))
    if exact > 0:
        return exact
    return exact_f_number(marked) if marked > 0 else math.nan


def _same(asked: str | None, measured: str | None) -> bool:
    return asked is None or measured is None or asked.casefold() == measured.casefold()


def _same_focal(asked: float | None, measured: float | None) -> bool:
    return asked is None or measured is None or abs(math.log2(asked / measured)) < 0.05


def _mapping(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def _records(value: object) -> list[Mapping[str, Any]]:
    is_list = isinstance(value, Sequence) and not isinstance(value, str)
    return [item for item in value if isinstance(item, Mapping)] if is_list else []  # type: ignore[attr-defined]


def _number(value: object) -> float:
    """Return `value` as a float, NaN where it is null or not a number."""
    if isinstance(value, bool) or not isinstance(value, int | float) or abs(value) > 1e300:
        return math.nan
    return float(value)


def _numbers(value: object) -> tuple[float, ...]:
    """Return a list's numbers, NaN for what is none; empty where `value` is no list."""
    is_list = isinstance(value, Sequence) and not isinstance(value, str)
    return tuple(_number(item) for item in value) if is_list else ()  # type: ignore[attr-defined]


def _known(value: object) -> float | None:
    """Return `value` as a float, None where it is not a number, or 0: a length or count of 0 is an unknown one."""
    number = _number(value)
    return None if math.isnan(number) or number == 0 else number


def _text(value: object) -> str | None:
    return value if isinstance(value, str) and value else None
