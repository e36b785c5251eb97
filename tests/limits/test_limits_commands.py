"""What `kitgauge limits` and the end of a run say about accepted limits."""

from __future__ import annotations

import json

import pytest

from kitgauge.errors import LimitsError, UsageError
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
