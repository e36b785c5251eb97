"""One piece of work on one frame in a process of its own: every end of it that is not a result is the frame's error."""

from __future__ import annotations

import os
from concurrent.futures import Future
from functools import partial
from pathlib import Path

import pytest
from worker_jobs import break_down, double, measure, process_id

from kitgauge.errors import DEBUG_VARIABLE, FrameError, UsageError
from kitgauge.ingest.in_worker import in_worker, refusal
from kitgauge.ingest.scan import read_by_worker
from kitgauge.ingest.worker_pool import WorkerLostError, WorkerPool

FRAME = Path("frames/a.dng")
posix = pytest.mark.skipif(os.name != "posix", reason="worker processes are for Linux and macOS")


@posix
def test_the_result_is_from_another_process():
    assert in_worker(partial(double, 4), FRAME) == 8
    assert in_worker(process_id, FRAME) != os.getpid()


@posix
def test_an_error_for_the_user_arrives_as_it_was_raised():
    with pytest.raises(FrameError, match="made up") as caught:
        in_worker(partial(break_down, "frame"), FRAME)
    assert (caught.value.flag, caught.value.where) == ("empty-picture", "x.dng")


@posix
def test_a_lost_worker_is_an_error_of_the_file_that_it_opened_last(tmp_path):
    paths = [tmp_path / name for name in ("a.dng", "b.dng")]
    for path in paths:
        path.write_bytes(b"x")
    with pytest.raises(FrameError, match=r"ended with status 3") as caught:
        in_worker(partial(measure, paths, "b.dng", "exit"), paths[0])
    assert caught.value.where == str(paths[1])
    assert caught.value.flag == "measurement-failed"


@posix
def test_an_executor_that_is_given_goes_on():
    with WorkerPool(1) as pool:
        with pytest.raises(FrameError, match="memory fault"):
            in_worker(partial(break_down, "fault"), FRAME, executor=pool)
        assert in_worker(process_id, FRAME, executor=pool) == pool.submit(process_id).result()


def read_with(error: Exception):
    future: Future = Future()
    future.set_exception(error)
    return read_by_worker(future, "a.dng", FRAME)


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (WorkerLostError("it ended", FRAME), "measuring it failed (it ended); please report this file"),
        (RecursionError("deep"), "measuring it failed (RecursionError: deep); please report this file"),
        (MemoryError(), "measuring it takes more memory than a worker may use; use fewer --workers, or a computer with "
         "more memory"),
    ],
)  # fmt: skip
def test_what_nobody_foresaw_rejects_the_file_and_nothing_else(error, said):
    assert refusal(error) == ["measurement-failed", said]
    record, settings = read_with(error)
    assert (record.file, record.status, record.flags, record.reason) == (
        "a.dng", "rejected", ("measurement-failed",), said,
    )  # fmt: skip
    assert settings is None


def test_what_is_no_fault_of_the_frame_is_raised(monkeypatch):
    with pytest.raises(UsageError):
        read_with(UsageError("made up"))
    monkeypatch.setenv(DEBUG_VARIABLE, "1")
    with pytest.raises(RecursionError):
        read_with(RecursionError("deep"))
    assert read_with(WorkerLostError("it ended", FRAME))[0].status == "rejected"
