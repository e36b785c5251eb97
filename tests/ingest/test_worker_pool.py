"""Worker processes: results as from a plain call, and what breaks in one of them stays there."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import pytest
import worker_jobs
from worker_jobs import double, measure, process_id

from kitgauge.errors import FrameError
from kitgauge.ingest import spare_workers, worker_nursery, worker_pool
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.tasks import Task, run_tasks
from kitgauge.ingest.worker_pool import WorkerLostError, WorkerPool, WorkerStartError, prepare_workers

pytestmark = pytest.mark.skipif(os.name != "posix", reason="worker processes are for Linux and macOS")


@pytest.fixture
def pool():
    with WorkerPool(2) as workers:
        yield workers


def wait_until(condition, seconds=20.0):
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.01)


def is_running(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"


def test_work_is_done_in_other_processes_by_two_workers_at_most(pool):
    assert list(pool.map(double, range(20))) == [2 * number for number in range(20)]
    used = set(pool.map(process_id, range(20)))
    assert os.getpid() not in used
    assert 1 <= len(used) <= 2


def test_two_pieces_of_work_run_at_the_same_time(pool, tmp_path):
    paths = [str(tmp_path / name) for name in ("a", "b")]
    futures = [pool.submit(worker_jobs.wait_for, path) for path in paths]
    wait_until(lambda: all(Path(path).with_suffix(".begun").exists() for path in paths))
    for path in paths:
        Path(path).touch()
    assert [future.result() for future in futures] == paths


def test_workers_share_the_folder_of_the_run(pool, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert pool.submit(worker_jobs.where).result() == str(tmp_path)


def test_an_error_arrives_as_it_was_raised(pool):
    with pytest.raises(FrameError) as caught:
        pool.submit(worker_jobs.break_down, "frame").result()
    error = caught.value
    assert (error.what, error.flag, error.where, error.got) == ("made up", "empty-picture", "x.dng", "1")
    assert error.message() == FrameError("made up", where="x.dng", got=1, needed=2, fix="do nothing").message()


def test_what_cannot_be_sent_is_an_error_and_costs_nothing_else(pool):
    before = pool.submit(process_id).result()
    with pytest.raises(RuntimeError, match="Unpicklable"):
        pool.submit(worker_jobs.break_down, "unpicklable").result()
    with pytest.raises(TypeError, match="pickle"):
        pool.submit(worker_jobs.unpicklable).result()
    with pytest.raises(Exception, match="pickle"):
        pool.submit(lambda: 1).result()
    assert before in {pool.submit(process_id).result() for _ in range(6)}


@pytest.mark.parametrize(("how", "said"), [("fault", "memory fault"), ("exit", "status 3")])
def test_a_worker_that_breaks_down_is_replaced_and_its_file_is_named(tmp_path, how, said):
    paths = [tmp_path / name for name in ("a.dng", "b.dng", "c.dng")]
    for path in paths:
        path.write_bytes(b"x")
    with WorkerPool(1) as pool:
        first = pool.submit(process_id).result()
        with pytest.raises(WorkerLostError, match=said) as caught:
            pool.submit(measure, paths, "b.dng", how).result()
        assert caught.value.path == paths[1]
        assert pool.submit(process_id).result() != first


def test_a_worker_that_takes_too_long_is_ended(tmp_path, monkeypatch):
    monkeypatch.setattr(worker_pool, "SECONDS_PER_FILE", 0.5)
    (tmp_path / "a.dng").write_bytes(b"x")
    with WorkerPool(1) as pool:
        pid = pool.submit(process_id).result()
        with pytest.raises(WorkerLostError, match=r"longer than 0\.5 s"):
            pool.submit(measure, [tmp_path / "a.dng"], "a.dng", "hang").result()
        assert not is_running(pid)
        assert pool.submit(double, 4).result() == 8


def test_memory_has_a_limit():
    with WorkerPool(1, memory_bytes=1 << 30) as pool:
        with pytest.raises(MemoryError):
            pool.submit(worker_jobs.break_down, "memory").result()
        assert pool.submit(double, 4).result() == 8
    with WorkerPool(1, memory_bytes=8 << 30) as pool:
        assert pool.submit(worker_jobs.break_down, "memory").result() is None


def test_what_libraries_print_does_not_reach_the_terminal(pool, capfd):
    assert pool.submit(worker_jobs.print_something).result() == 1
    assert capfd.readouterr() == ("", "")


def test_stopping_ends_work_in_progress_at_once(tmp_path):
    pool = WorkerPool(2)
    running = [pool.submit(worker_jobs.wait_for, str(tmp_path / name)) for name in ("a", "b")]
    waiting = pool.submit(double, 3)
    wait_until(lambda: len(list(tmp_path.glob("*.begun"))) == 2)
    begin = time.monotonic()
    pool.shutdown(cancel_futures=True)
    assert time.monotonic() - begin < 10
    assert waiting.cancelled()
    assert all(isinstance(future.exception(), WorkerLostError) for future in running)
    with pytest.raises(RuntimeError):
        pool.submit(double, 1)


@pytest.mark.skipif(sys.platform != "linux", reason="workers are forked on Linux only")
def test_the_next_pool_uses_what_is_loaded_already():
    prepare_workers()
    with WorkerPool(1) as pool:
        first = pool.submit(worker_jobs.parent).result()
    with WorkerPool(2) as pool:
        assert pool.submit(worker_jobs.parent).result() == first


@pytest.mark.skipif(sys.platform != "linux", reason="looks at /proc")
def test_nothing_stays_behind_when_the_run_is_killed(tmp_path):
    code = (
        "import sys; sys.path.insert(0, sys.argv[1]); import worker_jobs, time\n"
        "from kitgauge.ingest.worker_pool import WorkerPool\n"
        "pool = WorkerPool(2)\n"
        "parent = pool.submit(worker_jobs.parent).result()\n"
        "busy = [pool.submit(worker_jobs.wait_for, sys.argv[2] + name) for name in 'ab']\n"
        "print(parent, *[pool.submit(worker_jobs.process_id) and parent], flush=True)\n"
        "time.sleep(60)\n"
    )
    run = subprocess.Popen(
        [sys.executable, "-c", code, str(Path(__file__).parent), f"{tmp_path}/"], stdout=subprocess.PIPE, text=True
    )
    assert run.stdout is not None
    nursery = int(run.stdout.readline().split()[0])
    wait_until(lambda: len(list(tmp_path.glob("*.begun"))) == 2)
    children = [int(pid) for pid in Path(f"/proc/{nursery}/task/{nursery}/children").read_text().split()]
    assert len(children) == 2
    run.send_signal(signal.SIGKILL)
    run.wait()
    run.stdout.close()
    wait_until(lambda: not any(map(is_running, [nursery, *children])))


def test_a_core_without_work_helps(pool):
    assert pool.submit(worker_jobs.threads_used, 6).result() == 1
    if pool.spare is not None:
        spare_workers.offer(pool.spare)
        assert pool.submit(worker_jobs.threads_used, 6).result() > 1
        assert spare_workers.take(pool.spare)


def group(paths, how, left_out=()):
    files = tuple(path.name for path in paths if path.name not in left_out)
    chosen = [path for path in paths if path.name in files]
    return Task(
        label="group",
        key=f"{'-'.join(files)}{how}",
        files=files,
        work=partial(measure, chosen, "b.dng", how),
        without=lambda file: group(paths, how, (*left_out, file)),
    )


def test_a_group_is_measured_without_the_file_that_breaks_the_decoder(pool, tmp_path):
    paths = [tmp_path / name for name in ("a.dng", "b.dng", "c.dng")]
    for path in paths:
        path.write_bytes(b"x")
    results: dict = {}
    ended: list = []
    run_tasks(
        [group(paths, "fault")],
        results,
        MeasurementCache(tmp_path / "cache"),
        executor=pool,
        at_once=2,
        done=lambda task, _measurement, kept: ended.append((task.label, kept)),
    )
    assert results["group"]["seen"] == ["a.dng", "c.dng"]
    ((file, (flag, reason)),) = results["group"]["refused"].items()
    assert (file, flag) == ("b.dng", "measurement-failed")
    assert "memory fault" in reason
    assert ended == [("group", False)]
    assert not (tmp_path / "cache").exists()  # the cause may pass


@pytest.mark.skipif(sys.platform != "linux", reason="workers are forked on Linux only")
def test_a_worker_that_died_while_idle_costs_nothing():
    with WorkerPool(1) as pool:
        first = pool.submit(process_id).result()
        os.kill(first, signal.SIGKILL)
        wait_until(lambda: not is_running(first))
        assert pool.submit(process_id).result() != first


@pytest.mark.skipif(sys.platform != "linux", reason="workers are forked on Linux only")
def test_the_process_that_forks_workers_is_replaced_and_its_workers_go_on(tmp_path):
    with WorkerPool(2) as pool:
        nursery = pool.submit(worker_jobs.parent).result()
        busy = pool.submit(worker_jobs.wait_for, str(tmp_path / "a"))
        wait_until(lambda: (tmp_path / "a.begun").exists())
        os.kill(nursery, signal.SIGKILL)
        wait_until(lambda: not is_running(nursery))
        assert pool.submit(worker_jobs.parent).result() != nursery
        (tmp_path / "a").touch()
        assert busy.result() == str(tmp_path / "a")


@pytest.mark.skipif(sys.platform != "linux", reason="workers are forked on Linux only")
def test_a_system_without_room_for_processes_is_told_once_and_kept_apart_from_bad_frames(tmp_path, monkeypatch):
    def no_room(*_arguments):
        raise OSError(errno.EAGAIN, "Resource temporarily unavailable")

    monkeypatch.setattr(worker_pool.Nursery, "fork", no_room)
    monkeypatch.setattr(worker_pool, "_WAITS_S", (0.0, 0.01, 0.01))
    (tmp_path / "b.dng").write_bytes(b"x")
    with WorkerPool(1) as pool, pytest.raises(WorkerStartError, match=r"(?s)no process.*temporarily.*fix:"):
        run_tasks(
            [group([tmp_path / "b.dng"], "")], {}, MeasurementCache(None), executor=pool, at_once=1,
            done=lambda *_: None,
        )  # fmt: skip


@pytest.mark.skipif(sys.platform != "linux", reason="workers are forked on Linux only")
def test_a_fork_that_fails_leaves_the_others_at_work(monkeypatch):
    """The nursery itself, with a fork that fails twice."""
    code = (
        "import errno, json, os, sys; sys.path[:] = json.loads(sys.argv[1])\n"
        "from kitgauge.ingest import worker_process\n"
        "forked, calls = os.fork, []\n"
        "def fork():\n"
        "    calls.append(1)\n"
        "    if len(calls) < 3: raise OSError(errno.EAGAIN, 'no room')\n"
        "    return forked()\n"
        "os.fork = fork\n"
        "getattr(worker_process, sys.argv[2])(*json.loads(sys.argv[3]))\n"
    )
    monkeypatch.setattr(worker_nursery, "_START", code)
    monkeypatch.setattr(worker_nursery.Nursery, "_waiting", [])
    monkeypatch.setattr(worker_pool, "_WAITS_S", (0.0, 0.01, 0.01))
    with WorkerPool(2) as pool:
        assert list(pool.map(double, range(6))) == [0, 2, 4, 6, 8, 10]
    while worker_nursery.Nursery._waiting:
        worker_nursery.Nursery._waiting.pop().close()


def test_thousands_of_pieces_of_work(pool):
    assert list(pool.map(double, range(5000))) == list(range(0, 10_000, 2))


def test_a_folder_that_is_gone_does_not_stop_workers(tmp_path, monkeypatch):
    gone = tmp_path / "gone"
    gone.mkdir()
    monkeypatch.chdir(gone)
    gone.rmdir()
    with WorkerPool(1) as pool:
        assert pool.submit(double, 2).result() == 4
