"""How surely and how fast edges are found.

    python bench/edge_search.py [--seeds N] [--no-cost]

First table: frames of a target under each hazard (drawn by the tests' scene generator, every edge known): sides wholly
in the frame, those found, edges invented, sides found but off their course or cut short, free ground that holds another
structure. Second table: textures, in which nothing may be found. Third table: processor time of the search on
24-megapixel frames against opening and unpacking such a frame, lossless-compressed, with rawpy in one thread.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from rich.console import Console
from rich.table import Table

sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "tests" / part) for part in ("", "measure")]

from edge_scenes import green  # type: ignore[import-not-found]  # noqa: E402
from edge_stress_scenes import (  # type: ignore[import-not-found]  # noqa: E402
    HAZARDS,
    TEXTURES,
    draw,
    score,
    texture,
)

from kitgauge.frames.mosaic import Mosaic  # noqa: E402
from kitgauge.frames.opening import open_frame  # noqa: E402
from kitgauge.ingest.edge_frames import search_picture  # noqa: E402
from kitgauge.measure.edges.edge_finding import find_edges, find_edges_in  # noqa: E402
from kitgauge.measure.edges.target_pose import find_sheets  # noqa: E402
from kitgauge.protocol.loading import load_protocol  # noqa: E402
from kitgauge.protocol.shot_list import shot_list  # noqa: E402
from kitgauge.simulate.model import full_size_kit  # noqa: E402
from kitgauge.simulate.sheet_scene import PinholeCamera, PlacedSheet, render_sheets  # noqa: E402
from kitgauge.simulate.shooting import shoot_protocol  # noqa: E402
from kitgauge.target.layout import design_for, sheet_layout  # noqa: E402

_FIVE = ((0.0, 0.0), (-350.0, -220.0), (350.0, -220.0), (-350.0, 220.0), (350.0, 220.0))


def hazards(seeds: int) -> Table:
    """Return the table of hazards."""
    table = Table("hazard", "sides", "found", "invented", "off course", "free ground wrong", "why missed")
    for name, hazard in HAZARDS.items():
        total, why = np.zeros(5, dtype=int), Counter[str]()
        for seed in range(seeds):
            frame = draw(hazard, seed)
            got = score(frame, find_edges(frame.signal, frame.mask, frame.saturated))
            total += (got.expected, got.found, got.invented, got.off, got.overreach)
            why.update(got.reasons)
        table.add_row(name, *map(str, total), ", ".join(f"{flag or 'not seen'} {n}" for flag, n in why.items()))
    return table


def textures(seeds: int) -> Table:
    """Return the table of textures."""
    table = Table("texture", "frames", "edges used", "refused as")
    for kind in TEXTURES:
        used, why = 0, Counter[str]()
        for seed in range(seeds):
            signal = texture(kind, seed)
            found = find_edges(signal, green(signal.shape, "bayer"), np.zeros(signal.shape, dtype=bool))
            used += len(found.candidates)
            why.update(edge.flag for edge in found.refused)
        table.add_row(kind, str(seeds), str(used), ", ".join(f"{flag} {n}" for flag, n in why.most_common()))
    return table


def cost() -> Table:
    """Return the table of processor time on 24-megapixel frames."""
    import rawpy

    cv2.setNumThreads(1)
    kit = full_size_kit("lossless")
    shots = list(shot_list(load_protocol("aperture-sweep").protocol, kit.camera_range).shots)[4:5]
    with tempfile.TemporaryDirectory() as folder:
        shoot_protocol(kit, [replace(shot, frames=1) for shot in shots], Path(folder), seed=1)
        (path,) = Path(folder).iterdir()
        squares = open_frame(path)

        def decode() -> None:
            with rawpy.imread(str(path)) as raw:
                _ = raw.raw_image_visible.shape

        floor = _processor_s(decode)
    table = Table("24-megapixel frame", "edges", "search, s", "decode, s", "search / decode")
    frames = {
        "nine groups of squares, no markers": squares,
        "one printed sheet": _sheets(squares, 1),
        "five printed sheets": _sheets(squares, 5),
    }
    for name, mosaic in frames.items():
        edges = _search(mosaic)
        seconds = _processor_s(lambda mosaic=mosaic: _search(mosaic))  # type: ignore[misc]
        table.add_row(name, str(edges), f"{seconds:.3f}", f"{floor:.3f}", f"{seconds / floor:.2f}")
    return table


def _search(mosaic: Mosaic) -> int:
    picture = search_picture(mosaic)
    sheets = find_sheets(picture.image, picture.block, picture.shape)
    return len(find_edges_in(picture, sheets=sheets).candidates)


def _sheets(like: Mosaic, number: int) -> Mosaic:
    """Return a frame of one or five sheets with the samples' noise and black of `like`."""
    design, rows, columns = design_for(297.0, 210.0), *like.shape
    away = 297.0 * 1.4 * (1.25 if number == 1 else 3.6)
    placed = [PlacedSheet(sheet_layout(design, k + 1), away, x, y) for k, (x, y) in enumerate(_FIVE[:number])]
    light = render_sheets(placed, PinholeCamera((rows, columns), 1.4 * columns), finer=1, blur_px=1.0)
    noise = np.random.default_rng(0).normal(scale=60.0, size=light.shape)
    return replace(like, samples=(600.0 + 9000.0 * light + noise).astype(np.uint16))


def _processor_s(work: Callable[[], object], repeat: int = 5) -> float:
    times = []
    for _ in range(repeat):
        begin = time.process_time()
        work()
        times.append(time.process_time() - begin)
    return float(np.median(times))


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=4, help="frames per hazard")
    parser.add_argument("--no-cost", action="store_true", help="leave the timing out")
    arguments = parser.parse_args()
    console = Console(width=120)
    console.print(hazards(arguments.seeds))
    console.print(textures(arguments.seeds))
    if not arguments.no_cost:
        console.print(cost())


if __name__ == "__main__":
    main()
