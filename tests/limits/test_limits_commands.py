"""What `kitgauge limits` and the end of a run say about accepted limits."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest

from kitgauge.errors import KitgaugeError, LimitsError, UsageError
from kitgauge.limits.commands import accept_run, differences, drop_limits, limit_from_dict, show_limits
from kitgauge.limits.model import Limit

KIT = {"name": "made-up-1", "body": "Made Up 1", "body_serial": "77"}


def iso_limit(iso: float, stderr_stops: float = 0.1) -> Limit:
    return Limit(
        kind="iso", value={"iso": iso}, dial={"iso": iso}, ci_low=iso * 0.9, ci_high=iso * 1.1,
        criterion={"snr": 10.0}, text=f"Up to ISO {iso:g}.", stderr_stops=stderr_stops, extra={"at_least": False},
    )  # fmt: skip


def run_folder(tmp_path, name: str, *limits: Limit):
    folder = tmp_path / "results" / "made-up-1" / name
    folder.mkdir(parents=True)
    curves = {"schema": 1, "kit": KIT, "limits": [limit.as_dict() for limit in limits]}
    (folder / "curves.json").write_text(json.dumps(curves).replace("NaN", "null"))
    return folder


def test_a_limit_survives_the_results_file():
    limit = iso_limit(1600)
    assert limit_from_dict(json.loads(json.dumps(limit.as_dict()))) == limit


def test_accept_show_drop(tmp_path):
    results = tmp_path / "results"
    results.mkdir()
    assert "No accepted limits" in show_limits(results, None)
    said = accept_run(run_folder(tmp_path, "one", iso_limit(1600)), results, None, replace=False)
    assert "accepted: highest ISO 1600" in said
    shown = show_limits(results, None)
    assert "1. Up to ISO 1600." in shown
    assert "Made Up 1 #77; criterion snr 10; run one" in shown
    assert "dropped: highest ISO 1600" in drop_limits([1], results, None)
    assert "No accepted limits" in show_limits(results, None)


def test_accepting_what_is_not_whole_says_so(tmp_path):
    folder = run_folder(tmp_path, "one", replace(iso_limit(1600), extra={"at_least": True}))
    curves = json.loads((folder / "curves.json").read_text())
    (folder / "curves.json").write_text(json.dumps({**curves, "status": "partial", "missing": ["interrupted"]}))
    said = " ".join(accept_run(folder, tmp_path / "results", None, replace=False).split())
    assert "accepted: highest ISO 1600 at least" in said
    assert "Mind: this run is not complete (interrupted)" in said


def test_a_second_run_is_compared_and_replaces_only_when_told(tmp_path):
    results = tmp_path / "results"
    accept_run(run_folder(tmp_path, "one", iso_limit(1600)), results, None, replace=False)
    new = iso_limit(3200)
    (line,) = differences([new], KIT, results)
    # one stop with an error of sqrt(0.1^2 + 0.1^2) = 0.14 stops: z = 7
    assert line.startswith(
        "accepted so far: highest ISO 1600; this run: highest ISO 3200; difference +1.00 ± 0.14 stops (p < 0.001"
    )
    folder = run_folder(tmp_path, "two", new)
    with pytest.raises(LimitsError, match=r"would be replaced(?s:.*)--replace"):
        accept_run(folder, results, None, replace=False)
    assert "ISO 1600" in show_limits(results, None)
    assert "replaced: highest ISO 1600" in accept_run(folder, results, None, replace=True)
    assert "ISO 3200" in show_limits(results, None)


def test_other_criteria_are_other_limits(tmp_path):
    results = tmp_path / "results"
    accept_run(run_folder(tmp_path, "one", iso_limit(1600)), results, None, replace=False)
    other = Limit(**{**vars(iso_limit(400)), "criterion": {"snr": 40.0}})
    assert differences([other], KIT, results) == []


def test_a_run_without_limits_cannot_be_accepted(tmp_path):
    with pytest.raises(LimitsError, match="this run gives no limit"):
        accept_run(run_folder(tmp_path, "none"), tmp_path / "results", None, replace=False)


def test_several_kits_need_a_name(tmp_path):
    results = tmp_path / "results"
    accept_run(run_folder(tmp_path, "one", iso_limit(1600)), results, None, replace=False)
    (results / "other").mkdir()
    (results / "other" / "limits.toml").write_text("schema = 1\n")
    with pytest.raises(UsageError, match=r"several kits(?s:.*)made-up-1, other"):
        show_limits(results, None)
    assert "ISO 1600" in show_limits(results, "made-up-1")


@pytest.mark.parametrize(
    "changes",
    [
        {"limits": "x"},
        {"limits": ["x"]},
        {"limits": 5},
        {"limits": [{}]},
        {"limits": {"iso": "abc"}},
        {"limits": {"iso": 10**400}},
        {"limits": {"iso": None}},
        {"limits": {"criterion": [1]}},
        {"limits": {"criterion": {"snr": "x"}}},
        {"limits": {"flags": 5}},
        {"limits": {"flags": [[1]]}},
        {"limits": {"kind": [1]}},
        {"limits": {"text": 5}},
        {"limits": {"lens": ["x"]}},
        {"kit": "x"},
        {"kit": {**KIT, "name": 5}},
        {"kit": {**KIT, "body": ["x"]}},
        {"kit": {**KIT, "body_serial": 5}},
        {"schema": 2},
        {"schema": None},
    ],
)
def test_wrong_types_in_a_run_are_one_plain_error(tmp_path, changes):
    folder = run_folder(tmp_path, "one", iso_limit(1600))
    content = json.loads((folder / "curves.json").read_text())
    for key, value in changes.items():
        content[key] = [{**content["limits"][0], **value}] if key == "limits" and isinstance(value, dict) else value
    (folder / "curves.json").write_text(json.dumps(content))
    with pytest.raises(KitgaugeError) as caught:
        accept_run(folder, tmp_path / "results", None, replace=True)
    assert "curves.json" in caught.value.message()
    assert caught.value.fix
    assert not (tmp_path / "results" / "made-up-1" / "limits.toml").exists()


def test_without_a_results_folder_a_run_is_accepted_where_it_lies(tmp_path, monkeypatch):
    folder = run_folder(tmp_path, "one", iso_limit(1600))
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    accept_run(folder, None, None, replace=False)
    assert (tmp_path / "results" / "made-up-1" / "limits.toml").exists()
    assert 'run = "one"' in (tmp_path / "results" / "made-up-1" / "limits.toml").read_text()
    folder.rename(tmp_path / "loose")  # --out: the run lies in no kit's folder
    accept_run(tmp_path / "loose", None, None, replace=False)
    assert (tmp_path / "elsewhere" / "results" / "made-up-1" / "limits.toml").exists()


def test_a_kit_or_folder_that_is_not_there(tmp_path):
    results = tmp_path / "results"
    with pytest.raises(UsageError, match="no such folder"):
        show_limits(results, None)
    accept_run(run_folder(tmp_path, "one", iso_limit(1600)), results, None, replace=False)
    with pytest.raises(UsageError, match=r"no accepted limits for this kit(?s:.*)made-up-1"):
        show_limits(results, "made-up-2")
    with pytest.raises(UsageError, match="no accepted limits for this kit"):
        drop_limits([1], results, "made-up-2")


def test_equal_numbers_of_another_run_are_no_question(tmp_path):
    results = tmp_path / "results"
    accept_run(run_folder(tmp_path, "one", iso_limit(1600)), results, None, replace=False)
    assert "unchanged: highest ISO 1600" in accept_run(
        run_folder(tmp_path, "two", iso_limit(1600)), results, None, replace=False
    )
    assert "run two" in show_limits(results, None)


def test_the_question_before_a_limit_is_replaced(tmp_path):
    results = tmp_path / "results"
    accept_run(run_folder(tmp_path, "one", iso_limit(1600)), results, None, replace=False)
    with pytest.raises(LimitsError) as caught:
        accept_run(run_folder(tmp_path, "two", iso_limit(3200)), results, None, replace=False)
    message = caught.value.message()
    assert "old: highest ISO 1600; new: highest ISO 3200; difference +1.00" in message
    assert "add --replace to take the new one" in message


def test_exact_values_are_not_told_as_marked_ones(tmp_path):
    results = tmp_path / "results"
    f_numbers = Limit(
        kind="f_number", value={"f_number_low": 3.4421, "f_number_high": 10.347}, dial={}, ci_low=math.nan,
        ci_high=math.nan, criterion={"mtf50_fraction": 0.9}, text="",
    )  # fmt: skip
    shutter = Limit(
        kind="shutter", value={"shutter_s": 0.02344}, dial={}, ci_low=math.nan, ci_high=math.nan,
        criterion={"keep": 0.8}, text="", technique="standing",
    )  # fmt: skip
    said = accept_run(run_folder(tmp_path, "one", f_numbers, shutter, iso_limit(8540.4)), results, None, replace=False)
    # dial positions next on the safe side of the exact values: f/3.5 is 2^(11/6) = 3.56, f/10 2^(20/6) = 10.08,
    # 1/50 s 2^(-17/3) = 0.0197, ISO 8000 100 x 2^(19/3) = 8063
    assert "sharp from f/3.44 to f/10.3 (on the dial f/3.5 to f/10)" in said
    assert "slowest shutter 1/43 s (on the dial 1/50 s, standing)" in said
    assert "highest ISO 8540 (on the dial ISO 8000)" in said
