"""Errors of streaks measured without a target: those of simulated scenes and of a real chart blurred by known motions.

    python bench/scene_calibration.py --frames 64 --seed 61

prints, by length of the streak, the errors against truth in pixels and in stated standard errors. Needs the folder
`tests` (the simulated scenes) and, for the chart, `shared/real/chart-frame` beside the project.
"""

from __future__ import annotations

import argparse
import sys
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
from scipy import ndimage

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests" / "measure"))

from blurred_scenes import BAYER, BORDER, SCENES, SceneFrame, Taken, take, texture, true_streak, uniform  # type: ignore[import-not-found]  # noqa: E402

from kitgauge.measure.blur.scene_blur import measure_scene_streak  # noqa: E402
from kitgauge.measure.blur.scene_reference import scene_reference  # noqa: E402
from kitgauge.simulate.hands import Hands, draw_motion, sample_motion  # noqa: E402

CHART = ROOT.parent / "shared/real/chart-frame/chart_1920x1080_rggb_10bit.raw"
CROPS = ((0, 0, 1080, 960), (0, 960, 1080, 960), (0, 480, 540, 960), (540, 480, 540, 960))
EDGES = (0.0, 0.7, 2.0, 5.0, 9.0, 14.0, 40.0)


def scenes(seed: int, frames: int) -> list[tuple[str, np.ndarray]]:
    """Return (kind, light) of simulated textures, and of parts of the chart where it is there."""
    found = [(kind, texture(kind, (600, 800), 1000 * seed + k)) for k in range(frames // 32 + 1) for kind in SCENES]
    if CHART.exists():
        raw = SceneFrame(np.fromfile(CHART, "<u2").reshape(1080, 1920), BAYER, np.zeros((2, 2)), 1021.0)
        for top, left, rows, columns in CROPS:
            light = ndimage.gaussian_filter(np.minimum(raw.crop(top, left, rows, columns)[0], 900.0), 0.7) / 900 * 0.8
            found.append(("chart", np.pad(light, BORDER, mode="reflect").astype(np.float32)))
    return found


def motion(rng: np.random.Generator) -> np.ndarray:
    """Return a path: of simulated hands, one in five straight and even."""
    if rng.random() < 0.2:
        return np.asarray(
            uniform(float(np.exp(rng.uniform(np.log(0.7), np.log(22.0)))), float(rng.uniform(0.0, 180.0)))
        )
    path = sample_motion(draw_motion(Hands(), 1, rng), 2.0 ** rng.uniform(-7.5, -3.6), 50.0, 4.0)
    return np.stack([path.x_px, path.y_px, path.weight])


def measured(seed: int, frames: int) -> list[tuple[str, float, float, float]]:
    """Return (kind, true streak, error of trace C, its stated standard error) of each frame that gave a number."""
    rng, rows = np.random.default_rng(seed), []
    made = scenes(seed, frames)
    for number, (kind, light) in enumerate(made):
        still = scene_reference([take(light, None, Taken(seed=10 * number + k)) for k in (1, 2)])
        for k in range(-(-frames // len(made))):
            path = motion(rng)
            how = Taken(
                (float(rng.normal(0, 8)), float(rng.normal(0, 8))), float(rng.normal(0, 0.5)),
                1.0 + 0.003 * float(rng.normal()), float(rng.choice([0.5, 0.8, 1.0, 1.2])),
                float(rng.choice([20, 60])), float(rng.choice([0, 0, 0.3])), seed=1000 * seed + 100 * number + k,
            )  # fmt: skip
            found = measure_scene_streak(take(light, path, how), still)
            if np.isfinite(found.trace_px2):
                streak = true_streak(path)
                rows.append((kind, streak, found.trace_px2 - streak**2 / 12.0, found.trace_px2_stderr))
    return rows


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=64)
    parser.add_argument("--seed", type=int, default=61)
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    rows = measured(asked.seed, asked.frames)
    streak, error, stated = (np.array([row[k] for row in rows]) for k in (1, 2, 3))
    ratio = error / stated
    print(f"{len(rows)} frames: error / stated standard error {np.std(ratio):.2f}, largest {np.abs(ratio).max():.1f}")
    for low, high in pairwise(EDGES):
        part = (streak >= low) & (streak < high)
        if part.any():
            seen = np.sqrt(np.maximum(streak[part] ** 2 + 12.0 * error[part], 0.0)) - streak[part]
            print(
                f"  {low:4.1f} to {high:4.1f} px: {part.sum():3d} frames, rms error "
                f"{np.sqrt(np.mean(seen**2)):.3f} px, "
                f"median {np.median(seen):+.3f} px, in standard errors {np.sqrt(np.mean(ratio[part] ** 2)):.2f}"
            )


if __name__ == "__main__":
    main()
