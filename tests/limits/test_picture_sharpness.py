"""F-number limits by the picture's size, against an MTF integrated here."""

import math

import numpy as np
import pytest

from kitgauge.fit.sharpness.sharpness_aperture import fit_sharpness
from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint
from kitgauge.limits.criteria import Criteria, parse_criteria
from kitgauge.limits.picture_sharpness import mtf_at, picture_limits, viewing_frequency_cy_per_px

SHAPE = (4000, 6000)
PITCH_UM, WAVELENGTH_UM = 6.0, 0.55
F_NUMBERS = [2.0 ** (k / 2) for k in range(1, 11)]
PLACES = {"centre": (0.5, 0.5), "top-left": (0.1, 0.1), "bottom-right": (0.9, 0.9)}


def sigma_px(f_number: float, region: str) -> float:
    wide = {"centre": 2.0, "top-left": 4.0, "bottom-right": 4.0}[region]
    return math.hypot(0.4, wide / f_number)


def true_mtf(nu: float, f_number: float, region: str) -> float:
    """Autocorrelation of a clear pupil by counting, the pixel, the normal blur."""
    s = min(WAVELENGTH_UM * f_number / PITCH_UM * nu, 1.0)
    x = np.linspace(-1.0, 1.0, 20001)
    height = 2.0 * np.sqrt(np.clip(1.0 - (np.abs(x) + s) ** 2, 0.0, None)) * (np.abs(x) + s < 1)
    overlap = float(np.sum(height)) * (x[1] - x[0]) / math.pi
    return overlap * float(np.sinc(nu)) * math.exp(-2.0 * (math.pi * sigma_px(f_number, region) * nu) ** 2)


def true_mtf50(f_number: float, region: str) -> float:
    low, high = 0.001, 0.6
    for _ in range(40):
        nu = 0.5 * (low + high)
        low, high = (nu, high) if true_mtf(nu, f_number, region) > 0.5 else (low, nu)
    return low


def fitted():
    points = [
        SharpnessPoint(
            n, region, *PLACES[region], "vertical", "G", value := true_mtf50(n, region), 0.003 * value, 2, 2, 0.0
        )
        for region in PLACES
        for n in F_NUMBERS
    ]
    return fit_sharpness(points, PITCH_UM, WAVELENGTH_UM)


def crossing(nu: float, region: str, wanted: float, low: float, high: float) -> float:
    """The f-number between two at which the true MTF passes `wanted`."""
    rising = true_mtf(nu, high, region) > true_mtf(nu, low, region)
    for _ in range(40):
        middle = math.sqrt(low * high)
        above = true_mtf(nu, middle, region) > wanted
        low, high = (low, middle) if above == rising else (middle, high)
    return low


def test_frequency_is_one_line_pair_in_two_pixels_of_the_picture() -> None:
    # 6 of 24 megapixels: half as many along each side
    assert viewing_frequency_cy_per_px(6.0, SHAPE) == pytest.approx(0.25)
    assert viewing_frequency_cy_per_px(24.0, SHAPE) == pytest.approx(0.5)
    assert viewing_frequency_cy_per_px(100.0, SHAPE) == pytest.approx(0.5), "no finer than the sensor"


def test_mtf_follows_from_mtf50_and_the_optics() -> None:
    for n in (1.8, 8.0, 16.0):
        mtf50 = np.array([true_mtf50(n, "centre")])
        for nu in (0.1, 0.3, 0.45):
            found = mtf_at(nu, mtf50, np.array([n]), PITCH_UM, WAVELENGTH_UM)
            assert float(found[0]) == pytest.approx(true_mtf(nu, n, "centre"), abs=1e-3)


def test_limits_of_centre_and_whole_frame() -> None:
    fit = fitted()
    criteria = parse_criteria(["print_long_side_cm=30", "viewing_distance_cm=30", "picture_mtf=0.2"])
    # 30 cm of arcminutes at 30 cm: 3438 pixels along 6000
    nu = 0.5 * 3437.7 / 6000.0
    centre, frame = picture_limits(fit, criteria, SHAPE, "a 50 mm lens", 50.0)
    assert (centre.region, frame.region, frame.kind) == ("centre", "whole frame", "f_number")
    for limit, region in ((centre, "centre"), (frame, "top-left")):
        assert limit.value["f_number_low"] == pytest.approx(crossing(nu, region, 0.2, 1.4, 7.0), rel=0.02)
        assert limit.value["f_number_high"] == pytest.approx(crossing(nu, region, 0.2, 7.0, 32.0), rel=0.02)
        low, high = limit.extra["f_number_low_ci"]
        assert low < limit.value["f_number_low"] < high
    assert frame.value["f_number_low"] > centre.value["f_number_low"], "the corners need stopping down"
    assert centre.criterion == {"picture_mtf": 0.2, "print_long_side_cm": 30.0, "viewing_distance_cm": 30.0}
    assert "30 cm print seen from 30 cm" in centre.text and "48 line pairs per mm" in centre.text


def test_a_smaller_picture_forgives_more() -> None:
    fit = fitted()
    low = [
        picture_limits(fit, Criteria(output_mp=mp, picture_mtf=0.3), SHAPE)[0].value["f_number_low"]
        for mp in (4, 8, 12)
    ]
    assert low == sorted(low) and low[0] < low[-1]


@pytest.mark.parametrize(("size", "words"), [(1.0, "a picture of 1 megapixel"), (2.5, "a picture of 2.5 megapixels")])
def test_one_megapixel_is_one(size: float, words: str) -> None:
    (limit, _) = picture_limits(fitted(), Criteria(output_mp=size, picture_mtf=0.3), SHAPE)
    assert f"{words}: " in limit.text


def test_what_no_f_number_reaches_is_said() -> None:
    (limit, _) = picture_limits(fitted(), Criteria(output_mp=24.0, picture_mtf=0.7), SHAPE)
    assert "criterion-not-met" in limit.flags and "no f-number shows" in limit.text
    assert limit.value["f_number_low"] == limit.value["f_number_high"]
