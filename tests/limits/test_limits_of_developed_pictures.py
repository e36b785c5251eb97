"""F-number limits of developed pictures stand beside those of raw files: neither takes the other's place."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from itertools import permutations
from pathlib import Path

import pytest

from kitgauge.errors import LimitsError
from kitgauge.limits.entries import AcceptedLimit
from kitgauge.limits.model import Limit
from kitgauge.limits.store import accept, read_limits
from kitgauge.planner.inputs import resolve
from kitgauge.planner.kit_model import KitModel, read_kit_model
from kitgauge.planner.request import CameraFacts, PlanRequest

BODY = "Invented One"


def limit(low: float, *flags: str) -> Limit:
    return Limit(
        "f_number", {"f_number_low": low, "f_number_high": 11.0}, {}, low * 0.98, 11.2, {"mtf50_fraction": 0.9}, "",
        0.05, "Invented 50 mm", 50.0, None, "whole frame", flags,
    )  # fmt: skip


def test_both_are_kept_and_each_replaces_only_its_own_kind(tmp_path: Path) -> None:
    path = tmp_path / "limits.toml"
    accept(path, "raw-run", [limit(4.0)], body=BODY)
    accept(path, "jpeg-run", [limit(5.6, "rendered")], body=BODY)
    assert [item.limit.value["f_number_low"] for item in read_limits(path).limits] == [4.0, 5.6]
    with pytest.raises(LimitsError, match="would be replaced"):
        accept(path, "jpeg-run-2", [limit(6.3, "rendered")], body=BODY)
    accept(path, "jpeg-run-2", [limit(6.3, "rendered")], body=BODY, replace=True)
    assert [item.limit.value["f_number_low"] for item in read_limits(path).limits] == [4.0, 6.3]


def test_a_plan_takes_the_limit_of_raw_files_whichever_came_last() -> None:
    accepted = [
        AcceptedLimit(limit(low, *flags), BODY, run, datetime(2026, 5, day, tzinfo=UTC))
        for low, flags, run, day in ((4.0, (), "raw", 1), (5.6, ("rendered",), "jpeg", 2))
    ]
    for order in permutations(accepted):
        found = resolve(PlanRequest(light="ev10", focal_mm=50.0), list(order), CameraFacts(), KitModel()).sharp
        assert found.low == 4.0
    assert resolve(PlanRequest(light="ev10", focal_mm=50.0), accepted[1:], CameraFacts(), KitModel()).sharp.low == 5.6


def test_predicted_sharpness_is_that_of_raw_files_whichever_came_last(tmp_path: Path) -> None:
    folders = {}
    for name, value, flags in (("raw", 0.3, []), ("jpeg", 0.45, ["rendered"])):
        folders[name] = tmp_path / name
        folders[name].mkdir()
        points = [
            {"f_number": f_number, "f_number_exact": f_number, "region": "centre", "orientation": "both",
             "channel": "G", "mtf50_cy_per_px": value, "mtf50_cy_per_px_stderr": 0.01, "flags": flags}
            for f_number in (4.0, 5.656854)
        ]  # fmt: skip
        content = {"schema": 1, "kit": {"lens": "Invented 50 mm", "focal_mm": 50.0}, "sharpness": {"points": points}}
        (folders[name] / "curves.json").write_text(json.dumps(content), encoding="utf-8")
    for names in permutations(folders):
        model = read_kit_model({name: folders[name] for name in names})
        assert model.mtf50_at(4.0, "Invented 50 mm", 50.0, "centre")[0] == pytest.approx(0.3)
