"""A zoom measured at two focal lengths: plans between them interpolate and say so."""

from datetime import UTC, datetime

import pytest

from kitgauge.limits.entries import AcceptedLimit
from kitgauge.limits.model import Limit
from kitgauge.planner.basis import MEASURED, PRACTICE, SCALED
from kitgauge.planner.inputs import resolve
from kitgauge.planner.kit_model import KitModel
from kitgauge.planner.request import CameraFacts, PlanRequest

NOW = datetime(2026, 5, 1, tzinfo=UTC)


def limit(focal_mm: float, low: float, high: float, lens: str = "24-70 mm", **criterion: float) -> AcceptedLimit:
    made = Limit(
        kind="f_number", value={"f_number_low": low, "f_number_high": high}, dial={}, ci_low=low, ci_high=high,
        criterion=criterion or {"mtf50_fraction": 0.9}, text="", lens=lens, focal_mm=focal_mm, region="whole frame",
    )  # fmt: skip
    return AcceptedLimit(made, "body", f"run {focal_mm:g}", NOW)


ZOOM = [limit(24.0, 4.0, 8.0), limit(96.0, 8.0, 16.0)]


def sharp_at(focal_mm: float, limits=ZOOM, lens: str | None = None):
    request = PlanRequest(light="ev9.5", focal_mm=focal_mm, distance_m=3.0, lens=lens).checked()
    return resolve(request, limits, CameraFacts(), KitModel()).sharp


def test_measured_focal_lengths_stand() -> None:
    bound = sharp_at(24.0)
    assert (bound.low, bound.high, bound.because.basis) == (4.0, 8.0, MEASURED)


def test_between_two_focal_lengths_it_is_interpolated_and_said() -> None:
    bound = sharp_at(48.0)  # half-way in log focal length: a stop further than at 24 mm
    assert (bound.low, bound.high) == (pytest.approx(4.0 * 2**0.5), pytest.approx(8.0 * 2**0.5))
    assert bound.because.basis == SCALED and "interpolated between 24 and 96 mm" in bound.because.text


def test_nothing_is_carried_beyond_or_between_lenses_and_criteria() -> None:
    assert sharp_at(200.0).because.basis == PRACTICE
    assert sharp_at(48.0, [limit(24.0, 4.0, 8.0), limit(96.0, 8.0, 16.0, lens="other")]).because.basis == PRACTICE
    mixed = [limit(24.0, 4.0, 8.0), limit(96.0, 8.0, 16.0, mtf50_fraction=0.8)]
    assert sharp_at(48.0, mixed).because.basis == PRACTICE


def test_a_limit_for_a_picture_size_gives_way_to_one_of_the_best_sharpness() -> None:
    both = [limit(24.0, 2.0, 22.0, picture_mtf=0.1, output_mp=8.0), limit(24.0, 4.0, 8.0)]
    assert sharp_at(24.0, both).low == 4.0
    assert sharp_at(24.0, both[:1]).low == 2.0


def test_mtf50_of_a_zoom_between_its_focal_lengths() -> None:
    curves = {
        ("zoom", 24.0, "centre"): ((4.0, 0.30, 0.003), (8.0, 0.28, 0.003)),
        ("zoom", 96.0, "centre"): ((4.0, 0.20, 0.004), (8.0, 0.26, 0.003), (16.0, 0.2, 0.003)),
    }
    model = KitModel(mtf50=curves)
    value, error = model.mtf50_at(4.0, "zoom", 48.0, "centre")
    assert value == pytest.approx(0.25) and error == pytest.approx(0.0025)  # half of 0.003 and 0.004, in quadrature
    assert model.mtf50_at(16.0, "zoom", 48.0, "centre")[0] != model.mtf50_at(16.0, "zoom", 48.0, "centre")[0], "NaN"
    assert model.mtf50_errors("zoom", 200.0, "centre") == ()
    two = KitModel(mtf50={**curves, ("other", 200.0, "centre"): curves["zoom", 24.0, "centre"]})
    assert two.mtf50_errors(None, 48.0, "centre") == (), "which lens cannot be told"
