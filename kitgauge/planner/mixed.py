"""The gap spread over aperture, shutter and ISO: each gives up a little.

Pure standard library.
"""

from __future__ import annotations

import math

from kitgauge.planner.choose import EXPOSURE_TOLERANCE_STOPS, Dials, Setting

_EPS = 1e-6
_MOST_STOPS = 2.0  # that any one of the three gives up: beyond it the single ways out say it better (own choice)
_LEAST_GAP_STOPS = 0.6  # smaller gaps are closed by one third of a stop or two


def mixed_setting(
    ev100: float, wanted: Setting, iso_limit: float, available: Dials, gap_stops: float
) -> Setting | None:
    """Return the settings that expose and whose largest concession is smallest, then the sum of squares of all three;
    None where the gap is too small to share, or so large that one of them would give up more than two stops.

    `wanted`: shutter and f-number that keep every limit; `iso_limit`: the highest usable ISO. Concessions are stops
    wider than, slower than and above these. Squares stand for prices that grow faster than the concession: the second
    stop given up on one side costs more than the first one on another (own choice).
    """
    if gap_stops < _LEAST_GAP_STOPS:
        return None
    best: tuple[tuple[float, float, float], Setting] | None = None
    for f_number in available.f_number:
        opened = 2 * math.log2(wanted.f_number / f_number)
        if not -_EPS < opened < _MOST_STOPS + _EPS:
            continue
        for time_s in available.shutter_s:
            slower = math.log2(time_s / wanted.shutter_s)
            if not -_EPS < slower < _MOST_STOPS + _EPS:
                continue
            iso, error = available.best_iso(ev100, f_number, time_s)
            above = math.log2(iso / iso_limit)
            if abs(error) > EXPOSURE_TOLERANCE_STOPS + _EPS or not -_EPS < above < _MOST_STOPS + _EPS:
                continue
            parts = [max(part, 0.0) for part in (opened, slower, above)]
            if sum(part > _EPS for part in parts) < 2:
                continue
            rank = (round(max(parts), 6), round(sum(part * part for part in parts), 6), abs(error))
            if best is None or rank < best[0]:
                best = rank, Setting(time_s, f_number, iso, error)
    return None if best is None else best[1]
