"""Runs side by side: truth recovered, coverage, day-to-day scatter, and what is refused."""

from __future__ import annotations

import json
import math
from datetime import datetime, timedelta

import numpy as np
import pytest
from blur_run_folders import DIAGONAL_PX, LADDER, STREAK_PX, true_limit_s, write_blur_run

from kitgauge.errors import ResultsError, UsageError
from kitgauge.limits.compare_runs import compare_runs, difference_of_limits
from kitgauge.limits.criteria import parse_criteria
from kitgauge.runs.files import to_json

DAY = datetime(2026, 3, 1, 10)


def test_the_difference_of_two_symmetric_limits_has_the_root_of_the_sum_of_squares():
    # closed form: errors 0.1 and 0.2 stops
    spread = [(2.0 ** (-1.959964 * e), 2.0 ** (1.959964 * e)) for e in (0.1, 0.2)]
    stops, low, high, p = difference_of_limits((0.08, 0.08 * spread[0][0], 0.08 * spread[0][1]),
                                               (0.04, 0.04 * spread[1][0], 0.04 * spread[1][1]))  # fmt: skip
    assert stops == pytest.approx(1.0)
    assert (low, high) == pytest.approx((1 - 1.959964 * math.sqrt(0.05), 1 + 1.959964 * math.sqrt(0.05)))
    assert p == pytest.approx(math.erfc(1 / math.sqrt(0.05) / math.sqrt(2)), rel=1e-4)
    # turned round, it is the same with the sign turned
    back = difference_of_limits((0.04, 0.04 * spread[1][0], 0.04 * spread[1][1]), (0.08, 0.06, math.nan))
    assert math.isnan(back[1])
    assert math.isfinite(back[2])


def test_a_stabiliser_of_two_stops_is_found_and_said(tmp_path):
    off = write_blur_run(tmp_path / "off", 1 / 60, 1, technique="standing, stabiliser off")
    on = write_blur_run(tmp_path / "on", 1 / 15, 2, technique="standing, stabiliser on")
    (found,) = compare_runs([off, on]).differences
    assert found.kind == "stabiliser"
    assert found.ci_low < 2.0 < found.ci_high
    assert found.ci_high - found.ci_low < 1.2
    assert found.real
    assert "the stabiliser gives +" in found.text
    assert "less than once in 1000 tries: a real difference" in found.text
    notes = compare_runs([off, on]).notes
    assert any("each way was measured once" in note for note in notes)
    (back,) = compare_runs([on, off]).differences
    assert back.stops == pytest.approx(-found.stops)
    assert "the stabiliser gives +" in back.text


def test_equal_hands_are_not_called_different_and_several_are_judged_together(tmp_path):
    names = ["standing", "seated", "braced", "breath held"]
    folders = [write_blur_run(tmp_path / name, 1 / 30, k, technique=name) for k, name in enumerate(names)]
    found = compare_runs(folders).differences
    assert len(found) == 3
    small, middle, large = sorted(found, key=lambda item: item.p)  # Holm's step-down, by hand
    assert small.p_together == pytest.approx(min(1.0, 3 * small.p))
    assert middle.p_together == pytest.approx(min(1.0, max(3 * small.p, 2 * middle.p)))
    assert large.p_together == pytest.approx(min(1.0, max(3 * small.p, 2 * middle.p, large.p)))
    for item in found:
        assert not item.real
        assert "would have been noticed in 8 of 10 tries" in item.text


@pytest.mark.statistical
def test_differences_of_simulated_people_cover_and_luck_is_called_real_in_5_of_100(tmp_path):
    rng = np.random.default_rng(8)
    tries, covered, false = 60, 0, 0
    for k in range(tries):
        true = float(rng.choice([0.0, 0.5, 1.0]))
        one = write_blur_run(tmp_path / f"{k}a", 1 / 40, 1000 + 2 * k, frames=6, technique="a")
        two = write_blur_run(tmp_path / f"{k}b", 2.0**true / 40, 1001 + 2 * k, frames=6, technique="b")
        (found,) = compare_runs([one, two]).differences
        covered += found.ci_low <= true <= found.ci_high
        false += true == 0.0 and bool(found.real)
    # 95 % less 3 standard deviations of a count of 60; 5 % of about 20, and as many
    assert covered >= 52
    assert false <= 4


@pytest.mark.statistical
def test_days_that_differ_are_counted_where_there_are_several_and_one_day_each_misleads(tmp_path):
    rng = np.random.default_rng(21)
    scatter, tries, covered, single = 0.4, 16, 0, 0
    for k in range(tries):
        folders = []
        for technique in ("standing", "seated"):
            for session in range(3):
                limit = 2.0 ** (scatter * rng.standard_normal()) / 40
                name = f"{k}{technique}{session}"
                day = DAY + timedelta(days=10 * session + (5 if technique == "seated" else 0))
                folders.append(write_blur_run(tmp_path / name, limit, int(rng.integers(1 << 30)), frames=6, day=day,
                                              technique=technique))  # fmt: skip
        (found,) = compare_runs(folders).differences
        assert found.sessions == (3, 3)
        covered += found.ci_low <= 0.0 <= found.ci_high
        (one_day,) = compare_runs([folders[0], folders[3]]).differences
        single += bool(one_day.real)
    assert covered >= 13  # 15.2 expected; 2.5 standard deviations less
    assert single >= 3, "the naive way calls days a technique"


def test_sessions_of_the_same_days_are_compared_day_by_day(tmp_path):
    folders = []
    for k, shift in enumerate((-0.9, 0.0, 0.8, 0.3)):  # days differ much, the techniques by one stop every day
        for technique, gain in (("standing", 0.0), ("seated", 1.0)):
            folder = tmp_path / f"{technique}{k}"
            limit = 2.0 ** (shift + gain) / 60
            folders.append(write_blur_run(folder, limit, 50 + 2 * k + int(gain), technique=technique,
                                          day=DAY + timedelta(days=7 * k)))  # fmt: skip
    (found,) = [item for item in compare_runs(folders).differences if item.kind == "technique"]
    assert found.paired_days == 4
    assert found.ci_low < 1.0 < found.ci_high
    assert found.real
    assert "each compared with the same day" in found.text


def test_progress_over_months_is_told_from_luck(tmp_path):
    def sessions(name, per_month):
        return [
            write_blur_run(tmp_path / f"{name}{k}", 2.0 ** (per_month * k) / 60, 70 + k, frames=14,
                           day=DAY + timedelta(days=30.4375 * k))
            for k in range(6)
        ]  # fmt: skip

    (better,) = compare_runs(sessions("better", 0.35)).progress
    assert better.trend.low < 0.35 < better.trend.high
    assert better.real
    assert better.text.startswith("Standing: +0.")
    assert better.text.endswith("more than luck explains: practice shows.")
    assert better.months == pytest.approx(5.0)
    (same,) = compare_runs(sessions("same", 0.0)).progress
    assert same.trend.low < 0.0 < same.trend.high
    assert "no more than luck" in same.text
    assert "would have been noticed" in same.text
    # two sessions show no trend
    two = compare_runs([tmp_path / "better0", tmp_path / "better5"])
    assert two.progress == ()
    assert "Two sessions cannot tell practice from a good day" in two.differences[0].text
    undated = write_blur_run(tmp_path / "undated", 1 / 60, 99, day=None)
    some = compare_runs([undated, *(tmp_path / f"same{k}" for k in range(3))])
    assert any("counts in no trend" in note for note in some.notes)


def test_two_focal_lengths_are_compared_by_angle_and_agree_or_not(tmp_path):
    normal = write_blur_run(tmp_path / "normal", 1 / 25, 3, frames=14)
    # the same angles at twice the focal length: half the time, one stop
    long = write_blur_run(tmp_path / "long", 1 / 50, 4, frames=14, focal_mm=100.0, lens="Theta")
    found = compare_runs([normal, long])
    (item,) = found.differences
    assert item.kind == "focal length"
    assert item.ci_low < 0.0 < item.ci_high
    assert "the two agree" in item.text
    assert found.sessions[1].scaled_from_mm == pytest.approx(100.0)
    assert found.as_dict()["runs"][1]["scaled"]
    assert any("scaled by angle" in note for note in found.notes)
    assert any("the kits differ" in note for note in found.notes)
    # not scaled, the naive way would say that the longer lens makes hands a stop worse
    heavy = write_blur_run(tmp_path / "heavy", 1 / 200, 5, frames=14, focal_mm=100.0, lens="Theta")
    (item,) = compare_runs([normal, heavy]).differences
    assert item.ci_low < -2.0 < item.ci_high
    assert "do not agree" in item.text


def test_other_pixels_of_the_same_picture_are_one_criterion(tmp_path):
    full = write_blur_run(tmp_path / "full", 1 / 30, 6)
    # half the pixels each way of half the sensor: the same picture at half the focal length
    small = write_blur_run(tmp_path / "small", 1 / 30, 7, shape=(2000, 3000), streak_px=STREAK_PX / 2, focal_mm=25.0,
                           body="Little", pitch_um=6.0)  # fmt: skip
    found = compare_runs([full, small])
    assert found.sessions[1].scaled_from_mm is None
    assert found.differences[0].ci_low < 0 < found.differences[0].ci_high


def test_a_limit_beyond_the_ladder_is_a_bound(tmp_path):
    shaky = write_blur_run(tmp_path / "shaky", 1 / 125, 8)
    steady = write_blur_run(tmp_path / "steady", 1 / 4, 9, technique="on a wall", ladder=LADDER[1:])
    found = compare_runs([shaky, steady])
    assert found.sessions[1].reach == "slower"
    (item,) = found.differences
    assert math.isnan(item.stops)
    assert 2.5 < item.ci_low < math.log2(125 / 4)
    assert math.isnan(item.ci_high)
    assert item.real
    assert "at least" in item.text
    assert json.loads(to_json(found.as_dict()))["differences"][0]["stops"] is None


def test_what_cannot_be_compared_is_refused_with_the_way_out(tmp_path):
    first = write_blur_run(tmp_path / "first", 1 / 30, 10)
    with pytest.raises(UsageError, match="nothing to compare"):
        compare_runs([first])
    with pytest.raises(UsageError, match=r"(?s)same frames.*frames of first"):
        compare_runs([first, first])
    subject = write_blur_run(tmp_path / "subject", 1 / 30, 11, role="subject")
    with pytest.raises(UsageError, match=r"(?s)hands and moving subjects.*a moving subject"):
        compare_runs([first, subject])
    developed = write_blur_run(tmp_path / "developed", 1 / 30, 12, developed=True)
    with pytest.raises(UsageError, match="raw frames and developed pictures"):
        compare_runs([first, developed])
    stricter = write_blur_run(tmp_path / "stricter", true_limit_s(4.0, keep=0.9), 13, keep=0.9)
    with pytest.raises(UsageError, match=r"(?s)different criteria.*keep 0.9.*keep 0.8.*--criterion"):
        compare_runs([first, stricter])
    # judged alike, they compare
    common = compare_runs([first, stricter], parse_criteria(["keep=0.8", "streak_um_35mm=63"]))
    assert common.streak_share == pytest.approx(0.063 / math.hypot(36, 24))
    assert common.streak_px == pytest.approx(DIAGONAL_PX * 0.063 / math.hypot(36, 24))
    unsteady = write_blur_run(tmp_path / "unsteady", 1 / 30, 14, flags=("tripod-unsteady",))
    curves = json.loads((unsteady / "curves.json").read_text())
    (unsteady / "curves.json").write_text(json.dumps({**curves, "limits": []}))
    with pytest.raises(ResultsError, match="no limit to compare"):
        compare_runs([first, unsteady])
    (tmp_path / "noise").mkdir()
    for name in ("curves.json", "run.json"):
        (tmp_path / "noise" / name).write_text('{"schema": 1, "protocol": "noise-ladder"}')
    with pytest.raises(UsageError, match=r"(?s)did not measure blur.*noise-ladder"):
        compare_runs([first, tmp_path / "noise"])


def test_doubts_and_a_shared_reference_are_told(tmp_path):
    one = write_blur_run(tmp_path / "one", 1 / 30, 15, tripod="shared")
    two = write_blur_run(tmp_path / "two", 1 / 30, 16, tripod="shared", technique="seated", flags=("model-misfit",))
    notes = " ".join(compare_runs([one, two]).notes)
    assert "the same tripod frames" in notes
    assert "carries doubts (model-misfit)" in notes
