import math

import numpy as np
import pytest

from kitgauge.errors import LimitsError
from kitgauge.fit.sharpness.sharpness_aperture import fit_sharpness
from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint
from kitgauge.flags import FLAGS
from kitgauge.limits.aperture_limit import aperture_limits
from kitgauge.limits.criteria import Criteria

F_NUMBERS = [2.0 ** (k / 2) for k in range(1, 10)]


def parabola(f_number: float, best: float, width_stops: float) -> float:
    """MTF50 that falls to 90 % at `width_stops` from the best f-number: any smooth curve will do here."""
    stops = 2.0 * math.log2(f_number / best)
    return 0.3 * math.exp(math.log(0.9) * (stops / width_stops) ** 2)


def fitted(regions: dict[str, tuple[float, float]], fraction: float = 0.9):
    places = {"centre": (0.5, 0.5), "top-left": (0.1, 0.1), "bottom-right": (0.9, 0.9)}
    made = [
        SharpnessPoint(n, region, *places[region], "vertical", "G", parabola(n, *curve), 0.0005, 2, 2, 0.0)
        for region, curve in regions.items()
        for n in F_NUMBERS
    ]
    return fit_sharpness(made, None, mtf50_fraction=fraction)  # the smooth model holds a parabola exactly


def test_centre_and_whole_frame() -> None:
    fit = fitted({"centre": (5.0, 2.0), "top-left": (8.0, 1.5), "bottom-right": (7.0, 2.0)})
    centre, frame = aperture_limits(fit, Criteria(), "a 50 mm lens", 50.0)
    assert (centre.kind, centre.region, centre.lens, centre.focal_mm) == ("f_number", "centre", "a 50 mm lens", 50.0)
    # two stops around f/5 and, for all, from 1.5 stops below f/8 (the corner) to two above f/5 (the centre)
    assert centre.value["f_number_low"] == pytest.approx(2.5, rel=0.005)
    assert centre.value["f_number_high"] == pytest.approx(10.0, rel=0.005)
    assert frame.region == "whole frame"
    assert frame.value["f_number_low"] == pytest.approx(8.0 / 2**0.75, rel=0.005)
    assert frame.value["f_number_high"] == pytest.approx(10.0, rel=0.005)
    assert centre.ci_low < 2.5 < centre.value["f_number_high"] < centre.ci_high
    assert 0 < centre.stderr_stops < 0.1
    assert centre.criterion == {"mtf50_fraction": 0.9}


def test_dial_is_rounded_inward() -> None:
    (limit,) = aperture_limits(fitted({"centre": (5.0, 1.8)}), Criteria())
    # exact 2.68 to 9.33: marks at 2.83 (exact f/2.8) and 8.98 (f/9)
    assert limit.dial == {"f_number_low": 2.8, "f_number_high": 9.0}
    assert "f/2.8 to f/9" in limit.text
    (halves,) = aperture_limits(fitted({"centre": (5.0, 1.8)}), Criteria(), dial="halves")
    assert halves.dial == {"f_number_low": 2.8, "f_number_high": 8.0}
    assert limit.text.endswith(".") and "\n" not in limit.text


def test_range_narrower_than_the_dial_names_one_f_number() -> None:
    # 0.14 stops around a place midway between the marks 4 and 4.5
    best = 4.0 * 2.0 ** (1 / 12)
    (limit,) = aperture_limits(fitted({"centre": (best, 2.0)}), Criteria(mtf50_fraction=0.9995))
    assert limit.dial["f_number_low"] == limit.dial["f_number_high"]
    assert limit.dial["f_number_low"] in (4.0, 4.5)
    assert limit.value["f_number_low"] < best < limit.value["f_number_high"]


def test_another_fraction_than_at_the_fit() -> None:
    fit = fitted({"centre": (5.0, 2.0)})
    (wide,) = aperture_limits(fit, Criteria(mtf50_fraction=0.8))
    stops = 2.0 * math.sqrt(math.log(0.8) / math.log(0.9))
    assert wide.value["f_number_low"] == pytest.approx(5.0 / 2 ** (stops / 2), rel=0.005)


def test_open_range_is_told() -> None:
    (limit,) = aperture_limits(fitted({"centre": (20.0, 3.0)}), Criteria())
    assert limit.value["f_number_high"] == pytest.approx(F_NUMBERS[-1])
    assert "range-open" in limit.flags
    assert "nothing was measured beyond f/22" in limit.text


def test_no_common_f_number_gives_the_nearest_and_says_so() -> None:
    fit = fitted({"centre": (2.8, 1.0), "top-left": (11.0, 1.0)})
    frame = aperture_limits(fit, Criteria())[1]
    assert "criterion-not-met" in frame.flags
    assert "no f-number keeps 90 %" in frame.text
    assert frame.value["f_number_low"] == frame.value["f_number_high"] == pytest.approx(math.sqrt(2.8 * 11.0), rel=0.03)
    assert all(flag in FLAGS for flag in frame.flags)


@pytest.mark.parametrize(
    ("flag", "words"),
    [
        ("rendered", "It holds for this picture style only"),
        ("sharpened", "holds for files made like these only"),
        ("", "of the best sharpness."),
    ],
)
def test_the_sentence_tells_what_the_limit_rests_on(flag: str, words: str) -> None:
    made = [
        SharpnessPoint(
            n, "centre", 0.5, 0.5, "vertical", "G", parabola(n, 5.0, 2.0), 0.0005, 2, 2, 0.0, (flag,) if flag else ()
        )
        for n in F_NUMBERS
    ]
    (limit,) = aperture_limits(fit_sharpness(made, 4.0 if flag else None), Criteria())
    assert words in limit.text
    assert limit.text.endswith(".") and "\n" not in limit.text
    assert (flag in limit.flags) == bool(flag)
    assert limit.value["f_number_low"] == pytest.approx(2.5, rel=0.005)
    assert limit.value["f_number_high"] == pytest.approx(10.0, rel=0.005)


def test_refuted_optics_are_told() -> None:
    made = [
        SharpnessPoint(n, "centre", 0.5, 0.5, "vertical", "G", parabola(n, 5.0, 0.6), 0.0005, 2, 2, 0.0)
        for n in F_NUMBERS[2:7]
    ]
    (limit,) = aperture_limits(fit_sharpness(made, 4.0), Criteria())
    assert "optics-refuted" in limit.flags
    assert "The points do not follow the optics" in limit.text
    assert all(name in FLAGS for name in limit.flags)


def test_without_any_curve_there_is_no_limit() -> None:
    made = [SharpnessPoint(4.0, "centre", 0.5, 0.5, "vertical", "G", 0.3, 0.001, 2, 2, 0.0)]
    with pytest.raises(LimitsError, match="no region has a curve") as caught:
        aperture_limits(fit_sharpness(made, 4.0), Criteria())
    assert "1 f-numbers measured" in str(caught.value)
    assert caught.value.fix


def test_as_dict_follows_the_file_contract() -> None:
    (limit,) = aperture_limits(fitted({"centre": (5.0, 2.0)}), Criteria())
    written = limit.as_dict()
    for key in ("kind", "f_number_low", "f_number_high", "f_number_low_dial", "f_number_high_dial", "ci_low", "ci_high",
                "criterion", "lens", "focal_mm", "technique", "text"):  # fmt: skip
        assert key in written
    assert np.isfinite([written["ci_low"], written["ci_high"]]).all()
