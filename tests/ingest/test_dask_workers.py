"""Runs on a Dask cluster: the same results to the byte, also when a worker is killed in the middle."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time

import pytest

from kitgauge import runner
from kitgauge.errors import UsageError
from kitgauge.ingest.dask_workers import DaskWorkers
from kitgauge.ingest.worker_pool import WorkerLostError
from kitgauge.runs.cluster import run_on_cluster

installed = pytest.mark.skipif(
    subprocess.run([sys.executable, "-c", "import distributed"], capture_output=True, check=False).returncode != 0,
    reason="distributed is not installed: pip install 'kitgauge[dask]'",
)
RESULTS = ("curves.json", "frames.csv")


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    """A scheduler and two worker processes, started as at a shell; the scheduler file is the address."""
    folder = tmp_path_factory.mktemp("cluster")
    address = folder / "scheduler.json"
    common = ["--scheduler-file", str(address)]
    quiet = {"cwd": folder, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    scheduler = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0"]
    worker = [sys.executable, "-m", "distributed.cli.dask_worker", "--nworkers", "2", "--nthreads", "1"]
    off = ["--no-dashboard"]
    processes = [subprocess.Popen([*scheduler, *off, *common], **quiet)]
    try:
        _wait(address.exists)
        processes.append(subprocess.Popen([*worker, *off, *common, "--local-directory", str(folder)], **quiet))
        from distributed import Client

        with Client(scheduler_file=str(address), set_as_default=False) as client:
            client.wait_for_workers(2, timeout=60)
        yield str(address)
    finally:
        for process in reversed(processes):
            process.terminate()
            process.wait(timeout=30)


def _wait(done):
    end = time.monotonic() + 60
    while not done():
        assert time.monotonic() < end
        time.sleep(0.05)


# workers know nothing of this file, so their work is told as an expression
SLEEP = "(__import__('time').sleep({}), __import__('os').getpid())[1]"
DIE = "__import__('os').kill(__import__('os').getpid(), 9)"


@installed
@pytest.mark.filterwarnings("default")  # of the cluster's own libraries
def test_a_run_on_a_cluster_is_equal_to_the_byte_though_a_worker_is_killed(frames_of, tmp_path, cluster):
    frames = frames_of("noise-ladder")
    plain = runner.run("noise-ladder", frames, out=tmp_path / "plain", use_cache=False, report=False)
    killed = []

    def kill_one(stage, done, _total):
        if stage == "measuring ISO values" and done == 1 and not killed:
            killed.append(workers_of(cluster)[0])
            os.kill(killed[0], signal.SIGKILL)

    there = run_on_cluster(
        cluster, "noise-ladder", frames, out=tmp_path / "there", use_cache=False, report=False, progress=kill_one
    )
    assert killed and there.status == plain.status
    for name in RESULTS:
        assert (tmp_path / "there" / name).read_bytes() == (tmp_path / "plain" / name).read_bytes()


def workers_of(address):
    from distributed import Client

    with Client(scheduler_file=address, set_as_default=False) as client:
        return list(client.run(os.getpid).values())


@installed
@pytest.mark.filterwarnings("default")
def test_a_worker_that_dies_at_work_loses_nothing_and_its_work_is_done_by_another(cluster, tmp_path):
    _wait(lambda: len(workers_of(cluster)) == 2)  # the one killed before has been replaced
    with DaskWorkers(cluster, tmp_path) as workers:
        futures = [workers.submit(eval, SLEEP.format(2.0)) for _ in range(4)]
        victim = workers_of(cluster)[0]
        threading.Timer(0.5, os.kill, (victim, signal.SIGKILL)).start()
        assert victim not in {future.result(timeout=60) for future in futures}


@installed
@pytest.mark.filterwarnings("default")
def test_work_that_breaks_every_worker_is_given_up_and_the_rest_goes_on(cluster, tmp_path):
    with DaskWorkers(cluster, tmp_path) as workers:
        deadly = workers.submit(eval, DIE)
        with pytest.raises(WorkerLostError, match="one worker of the cluster after the other"):
            deadly.result(timeout=60)
        assert workers.submit(eval, SLEEP.format(0.0)).result(timeout=60) > 0


@installed
@pytest.mark.filterwarnings("default")
def test_a_cluster_that_does_not_see_the_frames_is_refused(cluster, tmp_path):
    with pytest.raises(UsageError, match=r"no folder .*nowhere"):
        DaskWorkers(cluster, tmp_path / "nowhere")


@installed
@pytest.mark.filterwarnings("default")
@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "no address", ""])
def test_where_no_scheduler_answers_one_clear_error(address, tmp_path, monkeypatch):
    monkeypatch.setattr("kitgauge.ingest.dask_workers._CONNECT_S", 1.0)
    with pytest.raises(UsageError, match="no Dask scheduler answers"):
        DaskWorkers(address, tmp_path)


def test_without_distributed_the_error_says_how_to_install_it(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UsageError, match=r"pip install 'kitgauge\[dask\]'"):
        DaskWorkers("tcp://127.0.0.1:8786", tmp_path)
