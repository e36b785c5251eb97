"""The cache and the tasks: what is kept, what is measured again, what an interruption leaves."""

from __future__ import annotations

import math
from array import array
from concurrent.futures import ThreadPoolExecutor

import pytest

from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.tasks import Task, run_tasks


def test_a_measurement_comes_back_as_it_was(tmp_path):
    cache = MeasurementCache(tmp_path)
    key = cache.key("edges", ["abc"], {"width": 3})
    assert cache.get(key) is None
    cache.put(key, {"x": [1.0, 2.5], "flags": []})
    assert MeasurementCache(tmp_path).get(key) == {"x": [1.0, 2.5], "flags": []}


def test_long_rows_of_numbers_come_back_to_the_last_bit(tmp_path):
    cache = MeasurementCache(tmp_path)
    key = cache.key("edges", ["abc"], {})
    row = [1 / (n + 3) for n in range(100)]
    measurement = {"rows": [{"x": row, "n": list(range(40)), "none": [None] * 20}], "nan": [math.nan] * 20}
    cache.put(key, measurement)
    found = cache.get(key)
    (found_row,) = found["rows"]
    assert found_row == {**measurement["rows"][0], "x": array("d", row)}
    assert all(math.isnan(value) for value in found["nan"])


def test_content_parameters_kind_and_version_make_another_key(tmp_path, monkeypatch):
    from kitgauge.ingest import cache as module

    cache = MeasurementCache(tmp_path)
    keys = {
        cache.key("edges", ["abc"], {"width": 3}),
        cache.key("edges", ["abd"], {"width": 3}),
        cache.key("edges", ["abc"], {"width": 4}),
        cache.key("blur", ["abc"], {"width": 3}),
        cache.key("edges", ["abc", "abc"], {"width": 3}),
    }
    monkeypatch.setattr(module.kitgauge, "__version__", "0.0.0-other")
    module.code_fingerprint.cache_clear()
    keys.add(cache.key("edges", ["abc"], {"width": 3}))
    module.code_fingerprint.cache_clear()
    assert len(keys) == 6


@pytest.mark.parametrize("damage", [b"", b"not gzip", b"\x1f\x8b\x08\x00half"])
def test_a_damaged_entry_is_measured_again(tmp_path, damage):
    cache = MeasurementCache(tmp_path)
    key = cache.key("edges", ["abc"], {})
    cache.put(key, {"x": 1})
    (path,) = tmp_path.rglob("*.json.gz")
    path.write_bytes(damage)
    assert cache.get(key) is None


def test_a_cache_that_cannot_be_written_is_no_error(tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("a file where the folder should be")
    cache = MeasurementCache(blocked)
    key = cache.key("edges", ["abc"], {})
    assert cache.keeps
    cache.put(key, {"x": 1})
    assert not cache.keeps
    assert "1 measurement could not be kept" in cache.remark and "Not a directory" in cache.remark
    assert cache.get(key) == {"x": 1}  # as long as this process lasts
    assert MeasurementCache(blocked).get(key) is None


@pytest.fixture
def threads():
    with ThreadPoolExecutor(2) as pool:
        yield pool


def tasks(work, count=4):
    return [Task(label=f"t{n}", key=f"{n:064}", files=(f"{n}.dng",), work=lambda n=n: work(n)) for n in range(count)]


def test_tasks_use_the_cache_and_tell_so(tmp_path, threads):
    cache, seen = MeasurementCache(tmp_path), []
    for _ in range(2):
        results: dict = {}
        run_tasks(
            tasks(lambda n: {"n": n}),
            results,
            cache,
            executor=threads,
            at_once=2,
            done=lambda t, _m, kept: seen.append((t.label, kept)),
        )
        assert results == {f"t{n}": {"n": n} for n in range(4)}
    assert sorted(seen[:4]) == [(f"t{n}", False) for n in range(4)]
    assert sorted(seen[4:]) == [(f"t{n}", True) for n in range(4)]


def test_refused_files_are_tried_again(tmp_path, threads):
    cache, calls = MeasurementCache(tmp_path), []

    def refuse(n):
        calls.append(n)
        return {"refused": {f"{n}.dng": ["unreadable", "cut off"]}}

    for _ in range(2):
        run_tasks(tasks(refuse, 1), {}, cache, executor=threads, at_once=1, done=lambda *_: None)
    assert calls == [0, 0]


def test_an_interruption_keeps_what_is_finished_and_starts_nothing_more(tmp_path, threads):
    cache, results, started = MeasurementCache(tmp_path), {}, []

    def work(n):
        started.append(n)
        return {"n": n}

    def interrupt(task, _measurement, _kept):
        if task.label == "t1":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_tasks(tasks(work, 20), results, cache, executor=threads, at_once=1, done=interrupt)
    assert results == {"t0": {"n": 0}, "t1": {"n": 1}}
    assert len(started) <= 3
    again: dict = {}
    run_tasks(tasks(work, 2), again, cache, executor=threads, at_once=1, done=lambda *_: None)
    assert started.count(0) == 1
    assert started.count(1) == 1
