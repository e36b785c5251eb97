"""Frames at stepped focus: the best focus of each region, edge direction, colour and f-number, and what follows.

Positions count steps in the order of capture, from a focus nearer than the target to one beyond it. A step moves the
image by `step` micrometres along the axis at f-number N where its blur disc grows by k pixels: step = k N pitch. So the
best focus is given in steps and, where the pitch is known, in micrometres of image space; positive is towards "far":
the image of that part of the target lies nearer to the lens.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.fit.sharpness.focus_peak import EdgeSeries, FocusPeak, fit_peak
from kitgauge.fit.sharpness.focus_tracks import Track, patches_of_tracks, place_of_track, region_of_track, track_edges
from kitgauge.fit.sharpness.longitudinal_colour import WAVELENGTHS_UM
from kitgauge.measure.edges.defocus import DefocusTable
from kitgauge.measure.edges.diffraction import diffraction_px
from kitgauge.measure.edges.edge_sfr import EdgeMeasurement
from kitgauge.measure.edges.regions import REGIONS, region_of

Array = NDArray[np.float64]

BOTH = "both"
_VIEWS = (("G", BOTH), ("G", "vertical"), ("G", "horizontal"), ("R", BOTH), ("B", BOTH))


@dataclass(frozen=True)
class BracketPeak:
    """The best focus of one patch, edge direction ("both": all edges together) and colour at one f-number.

    (`x_norm`, `y_norm`) is the middle of its edges, 0 to 1 from the left and the top. `best_um` (and its error) is
    against green in the centre at the same f-number, NaN without pitch or centre.
    """

    f_number: float
    region: str
    orientation: str
    channel: str
    x_norm: float
    y_norm: float
    peak: FocusPeak
    best_um: float
    best_um_stderr: float

    @property
    def off_centre(self) -> float:
        """Distance from the middle of the frame."""
        return math.hypot(self.x_norm - 0.5, self.y_norm - 0.5)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, the peak's among them."""
        values = asdict(self)
        peak = values.pop("peak")
        return {
            **{key: values[key] for key in ("f_number", "region", "orientation", "channel", "x_norm", "y_norm")},
            "best_step": peak["best"],
            "best_step_stderr": peak["stderr"],
            "best_step_ci": list(peak["ci"]),
            "best_um": values["best_um"],
            "best_um_stderr": values["best_um_stderr"],
            "mtf50_cy_per_px": peak["mtf50_cy_per_px"],
            "mtf50_cy_per_px_stderr": peak["mtf50_stderr"],
            **{k: peak[k] for k in ("disc_px_per_step", "disc_px_per_step_stderr", "edges", "points")},
            "reduced_chi_square": peak["reduced_chi_square"],
            "bracketed": peak["bracketed"],
        }


@dataclass(frozen=True)
class FocusBracket:
    """All peaks, the curves behind those of the regions, and the size of a step [um] per f-number (NaN unknown)."""

    peaks: tuple[BracketPeak, ...]
    curves: tuple[dict[str, Any], ...]
    step_um: Mapping[float, float]
    step_um_stderr: Mapping[float, float]
    tables: Mapping[float, DefocusTable]

    def peak(self, f_number: float, region: str, orientation: str = BOTH, channel: str = "G") -> BracketPeak | None:
        """Return one peak (of a region's patch nearest to the middle of the frame), None where it was not found."""
        return next(
            (
                item
                for item in self.peaks
                if (item.f_number, item.region, item.orientation, item.channel)
                == (f_number, region, orientation, channel)
                and item.peak.bracketed
            ),
            None,
        )

    @property
    def f_numbers(self) -> tuple[float, ...]:
        """The f-numbers with a peak, rising."""
        return tuple(sorted({item.f_number for item in self.peaks}))

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for `curves["sharpness"]["bracket"]`."""
        return {
            "peaks": [item.as_dict() for item in self.peaks],
            "curves": list(self.curves),
            "steps": [
                {"f_number": n, "step_um": self.step_um[n], "step_um_stderr": self.step_um_stderr[n]}
                for n in self.f_numbers
                if n in self.step_um
            ],
        }


def fit_bracket(
    frames: Mapping[float, Sequence[Sequence[EdgeMeasurement]]],
    frame_shape: tuple[int, int],
    pitch_um: float | None = None,
) -> FocusBracket:
    """Return the best focus of everything that the frames show.

    frames : per exact f-number the edges of its frames in steps of focus, an empty sequence for a frame that shows none
    (it keeps its step). frame_shape : (rows, columns). pitch_um : None leaves diffraction out and micrometres unknown.
    """
    peaks: list[BracketPeak] = []
    curves: list[dict[str, Any]] = []
    step_um: dict[float, float] = {}
    step_error: dict[float, float] = {}
    tables: dict[float, DefocusTable] = {}
    for f_number, group in sorted(frames.items()):
        colour_tables = {
            channel: DefocusTable(0.0 if pitch_um is None else float(diffraction_px(f_number, pitch_um, wavelength)))
            for channel, wavelength in WAVELENGTHS_UM.items()
        }
        tables[f_number] = colour_tables["G"]
        fitted = _peaks_of(f_number, group, frame_shape, colour_tables)
        middle = next((p for p in fitted if _is_reference(p)), None)
        if middle is not None and pitch_um is not None:
            unit = f_number * pitch_um
            step_um[f_number] = middle.peak.disc_px_per_step * unit
            step_error[f_number] = middle.peak.disc_px_per_step_stderr * unit
        peaks += [_in_um(p, middle, step_um.get(f_number, math.nan)) for p in fitted]
        curves += _curves_of(f_number, group, frame_shape)
    return FocusBracket(tuple(peaks), tuple(curves), step_um, step_error, tables)


def _is_reference(peak: BracketPeak) -> bool:
    return peak.peak.bracketed and (peak.region, peak.orientation, peak.channel) == ("centre", BOTH, "G")


def _in_um(peak: BracketPeak, middle: BracketPeak | None, step_um: float) -> BracketPeak:
    if middle is None or not peak.peak.bracketed:
        return peak
    own = peak is middle
    steps = peak.peak.best - middle.peak.best
    error = 0.0 if own else math.hypot(peak.peak.stderr, middle.peak.stderr)
    return BracketPeak(
        **{
            key: getattr(peak, key)
            for key in ("f_number", "region", "orientation", "channel", "x_norm", "y_norm", "peak")
        },
        best_um=steps * step_um,
        best_um_stderr=math.nan if own else error * step_um,
    )


def _peaks_of(
    f_number: float,
    frames: Sequence[Sequence[EdgeMeasurement]],
    shape: tuple[int, int],
    tables: Mapping[str, DefocusTable],
) -> list[BracketPeak]:
    """Return the peaks of every patch of the target: all its edges together, each direction apart, red and blue."""
    found: list[BracketPeak] = []
    for patch in patches_of_tracks(track_edges(frames)):
        places = [place_of_track(track, shape) for track in patch]
        x, y = (float(np.mean([place[k] for place in places])) for k in (0, 1))
        for channel, orientation in _VIEWS:
            own = [t for t in patch if orientation in (BOTH, next(iter(t.values())).orientation)]
            series = [item for t in own if (item := _series(t, channel)) is not None]
            peak = fit_peak(series, tables[channel])
            if peak is not None:
                found.append(
                    BracketPeak(f_number, region_of(x, y), orientation, channel, x, y, peak, math.nan, math.nan)
                )
    return sorted(found, key=lambda item: (item.off_centre, item.x_norm, item.y_norm))


def _series(track: Track, channel: str) -> EdgeSeries | None:
    """Return MTF50 of one edge in one colour through the focus, None where it was never measured."""
    rows = []
    for number, edge in sorted(track.items()):
        if channel == "G":
            value, error = edge.mtf50_cy_per_px, edge.mtf50_stderr
        else:
            colour = next((item for item in edge.colours if item.channel == channel), None)
            if colour is None:
                continue
            value, error = colour.mtf50_cy_per_px, colour.mtf50_stderr
        if math.isfinite(value) and value > 0 and math.isfinite(error):
            rows.append((float(number), math.log(value), error / value))
    if not rows:
        return None
    position, log_mtf50, error_column = np.array(rows).T
    return EdgeSeries(position, log_mtf50, error_column)


def _curves_of(
    f_number: float, frames: Sequence[Sequence[EdgeMeasurement]], shape: tuple[int, int]
) -> list[dict[str, Any]]:
    """Return MTF50 per step for pictures: region by region, the geometric mean of the edges seen at that step."""
    table: dict[str, dict[int, list[float]]] = defaultdict(lambda: defaultdict(list))
    for number, frame in enumerate(frames):
        for edge in (edge for edge in frame if edge.usable):
            region = region_of_track({number: edge}, shape)
            table[region][number].append(math.log(edge.mtf50_cy_per_px))
    return [
        {
            "f_number": f_number,
            "region": region,
            "step": sorted(table[region]),
            "mtf50_cy_per_px": [math.exp(float(np.mean(table[region][n]))) for n in sorted(table[region])],
        }
        for region in REGIONS
        if region in table
    ]
