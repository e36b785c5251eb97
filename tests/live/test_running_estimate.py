"""What a watched run says of its result so far: width of the interval, enough or not, and what comes when."""

from __future__ import annotations

import math

import pytest
from small_kits import shots_of, small_kit

from kitgauge.limits.model import Limit
from kitgauge.live.enough import Estimate, estimate_of, what_comes
from kitgauge.protocol.loading import load_protocol, shipped_protocols
from kitgauge.report.live_screen import width_sentence
from kitgauge.runs.live_words import next_text, shot_at


def focusing(low: float, high: float) -> Limit:
    return Limit(
        kind="focus", value={"f_number": 2.8}, dial={"f_number": 2.8}, ci_low=2.0, ci_high=4.0, criterion={}, text="F",
        extra={"focus_error_ci": [low, high]},
    )  # fmt: skip


def aperture() -> Limit:
    return Limit(kind="f_number", value={}, dial={}, ci_low=4.0, ci_high=8.0, criterion={}, text="A", stderr_stops=0.01)


def test_where_each_frame_was_focused_the_estimate_is_that_of_focusing():
    found = estimate_of([aperture(), focusing(10.0, 20.0)])
    assert (found.text, found.unit) == ("F", "stops of the focusing error")
    assert found.width == pytest.approx(1.0) and found.enough
    assert not estimate_of([focusing(10.0, 21.0)]).enough
    assert not estimate_of([focusing(0.0, 5.0)]).enough  # no more than noise: only an upper end is known
    assert estimate_of([aperture()]).width == pytest.approx(2 * 1.96 * 0.01, rel=1e-3)


@pytest.mark.parametrize(
    ("rate", "stderr", "width"), [(3.0, 1.0 / 1.96, 1.0), (1.0, 0.05, 0.2837), (0.1, 0.2, math.nan)]
)
def test_dark_current_is_known_by_its_rate(rate, stderr, width):
    dark = {"rate_e_per_s": rate, "rate_stderr": stderr, "text": "Heat."}
    found = estimate_of([], {"noise": {"dark_current": dark}})
    assert found.text == "Heat." and found.width == pytest.approx(width, rel=2e-3, nan_ok=True)
    assert found.enough is (width < 0.5)


def test_a_bracket_tells_the_frame_that_is_sharpest():
    peak = {
        "f_number": 2.8, "region": "centre", "orientation": "both", "channel": "G", "bracketed": True,
        "best_step": 5.25, "best_step_ci": [5.1, 5.4],
    }  # fmt: skip
    others = [{**peak, "region": "left"}, {**peak, "channel": "R"}, {**peak, "bracketed": False, "f_number": 4.0}]
    found = estimate_of([], {"sharpness": {"bracket": {"peaks": [*others, peak]}}})
    assert found.text == "f/2.8, centre: sharpest at frame 6.25 of the series (95 % interval 6.10 to 6.40)."
    assert found.width == pytest.approx(0.3) and found.enough
    assert estimate_of([], {"sharpness": {"bracket": {"peaks": others}}}) is None
    assert estimate_of([], {"sharpness": {"bracket": None}, "noise": None}) is None


def test_the_width_is_told_in_words():
    narrow = Estimate("T", 0.2, 0.5)
    assert (
        width_sentence(narrow, complete=True) == "Enough: 95 % interval 0.20 stops wide (0.50 stops is narrow enough)."
    )
    assert "the rest of the list" in width_sentence(narrow, complete=False)
    assert width_sentence(Estimate("T", 0.7, 0.5), complete=True).startswith("Not yet enough: 95 % interval 0.70")
    doubtful = width_sentence(Estimate("T", 0.2, 0.5, ("tripod-unsteady",)), complete=True)
    assert doubtful.startswith("Not yet enough") and "something stands against" in doubtful
    assert "open so far" in width_sentence(Estimate("T", math.nan, 0.5), complete=False)


def test_every_protocol_says_what_comes():
    said = {one.protocol.id: what_comes(one.protocol, developed=False) for one in shipped_protocols()}
    assert all(said.values())
    assert "dark frames" in said["noise-ladder"] and "dark" not in said["noise-quick"]
    assert "dark" not in what_comes(load_protocol("noise-ladder").protocol, developed=True)
    assert "third f-number" in said["aperture-sweep"] and "focusing" in said["aperture-sweep-refocused"]
    assert "soft again" in said["focus-bracket"] and "at its end" in said["practice-iso"]


def test_the_speed_that_would_tell_most_comes_with_its_settings():
    shots = shots_of("handheld-shutter", small_kit())  # ISO 800 at 1/60, up to 1600
    assert next_text(shot_at(1 / 60, shots), 1) == "handheld 1/60: 1 frame at 1/60, f/8, about ISO 800"
    assert next_text(shot_at(1 / 80, shots), 2) == "handheld 1/80: 2 frames at 1/80, f/8, about ISO 1000"
    assert next_text(shot_at(1 / 2000, shots), 3) == "handheld 1/2000: 3 frames at 1/2000, f/8; ISO by the meter"
    assert shot_at(1 / 60, shots_of("aperture-sweep", small_kit())) is None


def test_free_settings_are_said_to_be_free():
    (first, *_) = shots_of("practice-choice", small_kit())
    assert next_text(first, 1) == "first try: 1 frame at settings of your own choice"
