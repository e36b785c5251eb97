"""Criteria that belong together, and the picture's size from a print."""

from __future__ import annotations

import pytest

from kitgauge.errors import UsageError
from kitgauge.limits.criteria import EXPLANATIONS, RANGES, Criteria, parse_criteria

SHAPE = (4000, 6000)


def test_a_print_takes_the_place_of_megapixels():
    criteria = parse_criteria(["print_long_side_cm=30", "viewing_distance_cm=40"])
    # 30 cm of pixels of 40 cm x tan(1') = 0.011636 cm: 2578 x 1719
    assert criteria.picture_mp(SHAPE) == pytest.approx(2.578 * 1.719, rel=1e-3)
    assert criteria.as_dict() == {
        "snr": 10.0,
        "keep": 0.8,
        "mtf50_fraction": 0.9,
        "picture_mtf": 0.1,
        "focus_loss": pytest.approx(1 / 3),
        "print_long_side_cm": 30.0,
        "viewing_distance_cm": 40.0,
    }
    assert Criteria(output_mp=5.0).picture_mp(SHAPE) == 5.0
    # never more than the camera has, but megapixels that were asked for stand
    assert parse_criteria(["print_long_side_cm=300", "viewing_distance_cm=40"]).picture_mp(SHAPE) == 24.0
    assert Criteria(output_mp=50.0).picture_mp(SHAPE) == 50.0
    # the later choice counts
    assert parse_criteria(["output_mp=3"], criteria).picture_mp(SHAPE) == 3.0


@pytest.mark.parametrize(
    ("pairs", "said"),
    [
        (["print_long_side_cm=30"], "(?s)print_long_side_cm needs viewing_distance_cm.*add --criterion"),
        (["viewing_distance_cm=30"], "viewing_distance_cm needs print_long_side_cm"),
        (["shadow_stops=4"], "(?s)shadow_stops needs shadow_snr.*signal-to-noise"),
        (["shadow_snr=4"], "shadow_snr needs shadow_stops"),
        (
            ["output_mp=8", "print_long_side_cm=30", "viewing_distance_cm=40"],
            "(?s)given twice.*output_mp=8 and print_long_side_cm=30.*leave out output_mp",
        ),
        (["output_mp=8", "print_long_side_cm=30"], "given twice"),
        (
            ["snr=20", "keep=0.9", "snr=30"],
            "(?s)criterion snr is given twice.*snr=20 and snr=30.*leave one of them out",
        ),
        (["snr=20", " snr =20"], "(?s)given twice.*snr=20 and snr=20"),
        (["shadow_stops=20", "shadow_snr=3"], "(?s)shadow_stops is out of range.*between 0 and 16"),
        (["print_long_side_cm=-1", "viewing_distance_cm=40"], "out of range"),
    ],
)
def test_one_without_the_other_or_both_of_two_is_told(pairs, said):
    with pytest.raises(UsageError, match=said):
        parse_criteria(pairs)


def test_every_criterion_is_explained():
    assert set(RANGES) == set(EXPLANATIONS) == set(Criteria.__dataclass_fields__)
