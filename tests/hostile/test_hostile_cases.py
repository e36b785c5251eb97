"""A few hundred damaged files on the whole path; `python bench/hostile.py` tries 20,000."""

from __future__ import annotations

import json
import random
import sys
from functools import partial
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from hostile_mutations import damage_bytes, damage_text
from hostile_sources import LIMITS, make_sources
from hostile_trial import tried

from kitgauge.ingest import worker_pool


@pytest.mark.skipif(sys.platform == "win32", reason="worker processes are for Linux and macOS")
def test_some_hundred_cases(tmp_path, monkeypatch):
    monkeypatch.setattr(worker_pool, "SECONDS_PER_FILE", 60.0)
    make_sources(tmp_path / "sources")
    batches = [[*range(at, at + 20)] for at in range(0, 200, 20)]
    with worker_pool.WorkerPool(2, (), memory_bytes=1500 << 20) as pool:
        futures = [pool.submit(partial(tried, tmp_path, 5, batch)) for batch in batches]
        results = [result for future in futures for result in future.result()]
    assert [result for result in results if result[1] == "FAILED"] == []
    assert len(results) == 200
    assert {outcome.split(":")[1].strip() for _, outcome, *_ in results} == {"accepted", "refused"}
    assert len({outcome.split(":")[0] for _, outcome, *_ in results}) == 6


def test_a_number_is_damaged_in_the_same_way_every_time():
    content = LIMITS.encode()
    for damage in (damage_bytes, damage_text):
        one, two = damage(content, random.Random("5/1")), damage(content, random.Random("5/1"))
        assert one == two
        assert any(damage(content, random.Random(f"5/{number}"))[0] != content for number in range(3))


def test_a_whole_number_beyond_all_measure_in_a_run_that_is_compared(tmp_path):
    from kitgauge.limits.compare_runs import compare_runs

    make_sources(tmp_path)
    curves = tmp_path / "results" / "hands-1" / "curves.json"
    content = json.loads(curves.read_text())
    content["blur"]["frames"][3]["motion_variance_px2"] = 10**400
    curves.write_text(json.dumps(content))
    assert len(compare_runs([curves.parent, tmp_path / "results" / "hands-2"]).as_dict()["runs"]) == 2
