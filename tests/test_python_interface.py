"""The functions of the package: the same as the commands, with tidy tables."""

from __future__ import annotations

import subprocess
import sys

import pytest

import kitgauge


def test_run_gives_tidy_tables(frames_of, tmp_path):
    run = kitgauge.run("noise-ladder", frames_of("noise-ladder"), results=tmp_path / "results")
    assert set(run.noise["channel"]) == {"R", "G1", "G2", "B", "G"}
    assert run.noise["gain_e_per_dn"].gt(0).all()
    assert run.sharpness.empty
    assert run.folder.is_dir()


def test_limits_and_plan_work_together(frames_of, tmp_path):
    from kitgauge.limits.commands import accept_run

    results = tmp_path / "results"
    run = kitgauge.run("noise-ladder", frames_of("noise-ladder"), results=results)
    assert run.limits
    accept_run(run.folder, results, None, replace=False)
    accepted = kitgauge.limits(run.folder.parent / "limits.toml").limits
    assert [item.limit.kind for item in accepted] == ["iso"]
    plan = kitgauge.plan(results, light="ev9.5", focal_mm=14, distance_m=2)
    assert plan.as_dict()["basis"]["noise"] == "measured run"
    assert plan.as_dict()["basis"]["hands"] == "common practice"


def test_a_plan_without_any_results_is_common_practice(tmp_path):
    plan = kitgauge.plan(tmp_path, light="ev9.5", focal_mm=50, distance_m=2).as_dict()
    assert {plan["basis"][name] for name in ("hands", "subject", "noise", "sharpness")} == {"common practice"}
    assert set(plan["settings"]) == {"shutter_s", "f_number", "iso"}


def test_unknown_names_are_told():
    with pytest.raises(AttributeError, match="no attribute 'walk'"):
        kitgauge.walk  # noqa: B018


def test_importing_the_package_loads_nothing_heavy():
    script = "import sys, kitgauge; print([n for n in ('numpy', 'rawpy', 'typer') if n in sys.modules])"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
