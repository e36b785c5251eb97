"""What measuring ten edges of a frame costs against decoding the frame.

    python bench/edge_cost.py

Simulates full-size (24-megapixel) lossless-compressed frames of the aperture sweep and compares processor time: opening
and unpacking a frame with rawpy in one thread, against measuring ten edges in ten places, the offsets of red and blue
included. Finding the edges is printed beside it. The first frame fills tables that the others use again. Quote the
ratios.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import rawpy
from rich.console import Console
from rich.table import Table

from kitgauge.frames.opening import open_frame
from kitgauge.measure.edges.edge_candidate import EdgeCandidate
from kitgauge.measure.edges.edge_colours import measure_colours
from kitgauge.measure.edges.edge_finding import find_edges
from kitgauge.measure.edges.edge_measurement import EdgeColour, EdgeMeasurement
from kitgauge.measure.edges.edge_sfr import measure_edge
from kitgauge.protocol.loading import load_protocol
from kitgauge.protocol.shot_list import shot_list
from kitgauge.simulate.model import full_size_kit
from kitgauge.simulate.shooting import shoot_protocol

Result = TypeVar("Result")


def timed(work: Callable[..., Result], *arguments: Any) -> tuple[Result, float]:
    """Return what `work` returns and the processor time it took [ms]."""
    begin = time.process_time()
    result = work(*arguments)
    return result, 1e3 * (time.process_time() - begin)


def measure(ten: Sequence[EdgeCandidate], signal: Any, mask: Any, saturated: Any) -> list[EdgeMeasurement]:
    """Measure edges in green."""
    return [measure_edge(signal, mask, saturated, edge) for edge in ten]


def colour(edges: Sequence[EdgeMeasurement], signal: Any, masks: Any, saturated: Any) -> list[tuple[EdgeColour, ...]]:
    """Measure the same edges in red and blue."""
    return [measure_colours(signal, masks, saturated, edge) for edge in edges]


def decode(path: Path) -> int:
    """Open and unpack a frame; its first sample."""
    with rawpy.imread(str(path)) as raw:
        return int(raw.raw_image_visible[0, 0])


def main() -> None:
    """Run the bench and print its table."""
    table = Table("frame", "decode, ms", "search, ms", "ten edges, ms", "their colours, ms", "edges / decode")
    with tempfile.TemporaryDirectory() as folder:
        kit = full_size_kit("lossless")
        shots = list(shot_list(load_protocol("aperture-sweep").protocol, kit.camera_range).shots)
        shoot_protocol(kit, [shots[0], shots[len(shots) // 2], shots[-1]], Path(folder), seed=1)
        ratios = []
        for path in sorted(Path(folder).iterdir()):
            floor = float(np.median([timed(decode, path)[1] for _ in range(3)]))
            mosaic = open_frame(path)
            signal, mask, saturated = mosaic.signal(), mosaic.green_mask(), mosaic.saturated()
            search, finding = timed(find_edges, signal, mask, saturated)
            places = {edge.group: edge for edge in search.candidates}
            ten = (list(places.values()) + [e for e in search.candidates if e not in places.values()])[:10]
            edges, measuring = timed(measure, ten, signal, mask, saturated)
            others = {name: mosaic.colour_mask(name) for name in "RB"}
            _, colouring = timed(colour, edges, signal, others, saturated)
            ratios.append((measuring + colouring) / floor)
            table.add_row(
                path.name, f"{floor:.0f}", f"{finding:.0f}", f"{measuring:.0f}", f"{colouring:.0f}", f"{ratios[-1]:.3f}"
            )
    Console(width=120).print(table)
    print(f"median {np.median(ratios):.3f} (aim 0.25)")


if __name__ == "__main__":
    main()
