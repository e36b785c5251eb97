"""A run whose work on frames is done by an existing Dask cluster."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from kitgauge import runner
from kitgauge.ingest.dask_workers import DaskWorkers
from kitgauge.runs.outcome import Run


def run_on_cluster(
    address: str, protocol: str | Path, frames: str | Path, *, workers: int | None = None, **asked: Any
) -> Run:
    """Do what `runner.run` does, with the workers of the cluster whose scheduler is at `address`.

    `workers` tasks at a time, by default as many as the cluster has threads. Raises UsageError where the cluster cannot
    be used, see `DaskWorkers`; KitgaugeErrors as a run does.
    """
    folder = Path(frames).absolute()  # workers were started in folders of their own
    with DaskWorkers(address, folder) as cluster:
        return runner.run(protocol, folder, executor=cluster, workers=workers or cluster.workers, **asked)
