"""Best focus from frames at stepped focus, with the truth known by construction."""

import math

import numpy as np
import pytest
from focus_edges import PITCH_UM, SHAPE, lens_mtf50, square

from kitgauge.fit.sharpness.bracket_findings import bracket_findings, field_shape
from kitgauge.fit.sharpness.focus_bracket import fit_bracket
from kitgauge.fit.sharpness.focus_peak import EdgeSeries, fit_peak
from kitgauge.measure.edges.defocus import DefocusTable

STEP_UM = 12.0
STEPS = 11
PLACES = [(300, 250), (1500, 250), (2700, 250), (300, 1000), (1500, 1000), (2700, 1000), (300, 1750), (1500, 1750),
          (2700, 1750)]  # fmt: skip


def norm(x: float, y: float) -> tuple[float, float]:
    return 2.0 * (x + 0.5) / SHAPE[1] - 1.0, 2.0 * (y + 0.5) / SHAPE[0] - 1.0


def best_step(x: float, y: float, curvature_um: float, tilt_um: float) -> float:
    u, v = norm(x, y)
    return 5.2 + (curvature_um * (u * u + v * v) / 2.0 + tilt_um * u) / STEP_UM


def bracket(seed: int, number=2.0, curvature_um=0.0, tilt_um=0.0, shift_um=0.0, red_um=0.0, error=0.004, places=PLACES):
    rng = np.random.default_rng(seed)
    steps = np.arange(STEPS)
    per_place = {}
    for x, y in places:
        best = best_step(x, y, curvature_um, tilt_um) + shift_um / STEP_UM
        green = lens_mtf50(number, (steps - best) * STEP_UM)
        red = lens_mtf50(number, (steps - best) * STEP_UM - red_um, wavelength_um=0.60)
        per_place[x, y] = green, red
    return [
        [
            edge
            for (x, y), (green, red) in per_place.items()
            for edge in square(x, y, green[k], error, rng, {"R": red[k]} if red_um else None)
        ]
        for k in steps
    ]


@pytest.mark.statistical
def test_peak_position_has_no_bias_and_covers() -> None:
    table = DefocusTable(0.55 * 2.0 / PITCH_UM)
    rng = np.random.default_rng(4)
    errors, inside, runs = [], 0, 60
    for _ in range(runs):
        best = 5.0 + rng.uniform(-0.5, 0.5)
        truth = np.log(lens_mtf50(2.0, (np.arange(STEPS) - best) * STEP_UM))
        series = [
            EdgeSeries(np.arange(STEPS, dtype=float), truth + 0.01 * rng.standard_normal(STEPS), np.full(STEPS, 0.01))
            for _ in range(2)
        ]
        peak = fit_peak(series, table)
        errors.append((peak.best - best) / peak.stderr)
        inside += peak.ci[0] <= best <= peak.ci[1]
        assert peak.disc_px_per_step == pytest.approx(STEP_UM / (2.0 * PITCH_UM), rel=0.1)
    assert abs(np.mean(errors)) < 0.45 and 0.75 < np.std(errors) < 1.25
    assert inside >= 52


def test_the_sharpest_frame_is_a_worse_answer() -> None:
    """Picking the sharpest frame is wrong by up to half a step; the fit is right to a fiftieth."""
    frames = bracket(1, places=[(1500, 1000)])
    sharpest = max(range(STEPS), key=lambda k: np.mean([edge.mtf50_cy_per_px for edge in frames[k]]))
    peak = fit_bracket({2.0: frames}, SHAPE, PITCH_UM).peak(2.0, "centre").peak
    assert abs(sharpest - 5.2) > 0.15
    assert peak.best == pytest.approx(5.2, abs=0.03)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_field_curvature_and_tilt_with_their_signs(sign) -> None:
    found = fit_bracket({2.0: bracket(2, curvature_um=sign * 30.0, tilt_um=-sign * 14.0)}, SHAPE, PITCH_UM)
    assert found.step_um[2.0] == pytest.approx(STEP_UM, rel=0.02)
    shape = field_shape(found, 2.0)
    assert shape.curvature * STEP_UM == pytest.approx(sign * 30.0, abs=4.0 * shape.curvature_stderr * STEP_UM + 0.5)
    assert shape.tilt_x * STEP_UM == pytest.approx(-sign * 14.0, abs=4.0 * shape.tilt_x_stderr * STEP_UM + 0.3)
    kinds = {finding.kind: finding for finding in bracket_findings(found)}
    assert set(kinds) == {"field-curvature", "tilt"}
    assert ("curved inwards" if sign > 0 else "curved outwards") in kinds["field-curvature"].text
    assert kinds["field-curvature"].size == pytest.approx(sign * 30.0, rel=0.1)
    assert kinds["tilt"].size == pytest.approx(-sign * 28.0, rel=0.1), "right against left: twice the lean"


def test_longitudinal_colour_and_focus_shift() -> None:
    found = fit_bracket(
        {2.0: bracket(3, 2.0, red_um=18.0), 4.0: bracket(4, 4.0, shift_um=24.0, red_um=18.0)}, SHAPE, PITCH_UM
    )
    red, green = (found.peak(2.0, "centre", channel=channel).peak for channel in "RG")
    assert (red.best - green.best) * STEP_UM == pytest.approx(18.0, abs=1.0)
    kinds = {finding.kind: finding for finding in bracket_findings(found)}
    assert kinds["longitudinal-colour"].region == "red" and "beyond where green" in kinds["longitudinal-colour"].text
    shift = kinds["focus-shift"]
    assert (shift.f_number, shift.unit) == (4.0, "um")
    assert shift.size == pytest.approx(24.0, abs=2.0) and "towards far" in shift.text


@pytest.mark.statistical
def test_a_flat_field_gives_no_finding() -> None:
    places = PLACES[::2]  # the middle and the corners
    for seed in range(10, 18):
        frames = {2.0: bracket(seed, red_um=1e-6, places=places), 2.8: bracket(seed + 50, 2.8, places=places)}
        found = fit_bracket(frames, SHAPE, PITCH_UM)
        assert bracket_findings(found) == []


def test_a_peak_beyond_the_frames_is_said_to_be_there() -> None:
    frames = bracket(5, shift_um=90.0, places=[(1500, 1000)])
    (peak, *_) = fit_bracket({2.0: frames}, SHAPE, PITCH_UM).peaks
    assert not peak.peak.bracketed and math.isnan(peak.peak.stderr)
    assert peak.peak.best == STEPS - 1


def test_frames_without_edges_keep_their_step_and_units_without_pitch() -> None:
    frames = bracket(6, places=[(1500, 1000)])
    frames[0], frames[-1] = [], []
    found = fit_bracket({2.0: frames}, SHAPE)
    assert found.peak(2.0, "centre").peak.best == pytest.approx(5.2, abs=0.05)
    assert found.step_um == {} and math.isnan(found.peaks[0].best_um)
    assert fit_bracket({2.0: frames[:4]}, SHAPE).peaks == ()
