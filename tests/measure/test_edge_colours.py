"""Offset and sharpness of red and blue against green, against exact edges (edge_scenes, edge_optics)."""

import json
import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from edge_optics import Transfer, ideal, mtf50_of, normal, product, pupil, spread_of
from edge_scenes import PATTERNS, Scene, half_plane

from kitgauge.measure.edges.edge_candidate import candidate_from_line
from kitgauge.measure.edges.edge_colours import measure_colours
from kitgauge.measure.edges.edge_measurement import EdgeColour, EdgeMeasurement
from kitgauge.measure.edges.edge_sfr import measure_edge

TILT = 5.0
COSINE = math.cos(math.radians(TILT))
WAVELENGTH = {"R": 0.60, "G": 0.54, "B": 0.46}


def masks(shape: tuple[int, int], pattern: str) -> dict[str, np.ndarray]:
    tile = np.array([list(row) for row in PATTERNS[pattern]])
    rows, columns = shape
    whole = np.tile(tile, (rows // tile.shape[0] + 1, columns // tile.shape[1] + 1))[:rows, :columns]
    return {colour: whole == colour for colour in "RGB"}


def three_colours(
    lenses: dict[str, Transfer], offsets: dict[str, float], *, pattern: str = "bayer", seed: int = 0, **scene: float
) -> tuple[Scene, dict[str, np.ndarray]]:
    """One mosaic: each colour with its own transfer function, its edge `offsets` px along the normal from green's."""
    phase = ((0.377 * seed) % 1.0, (0.611 * seed) % 1.0)
    whole, masked = None, {}
    for number, colour in enumerate("GRB"):
        moved = phase[0] + offsets.get(colour, 0.0) / COSINE, phase[1]
        level = {"G": 1.0, "R": 0.55, "B": 0.45}[colour]
        one = half_plane(
            cutoff_px=0.0, sigma_px=0.0, tilt_deg=TILT, spread=spread_of(lenses[colour], TILT), phase=moved,
            seed=3 * seed + number, dark=800.0 * level, bright=3200.0 * level, **scene,
        )  # fmt: skip
        if whole is None:
            whole, masked = one, masks(one.signal.shape, pattern)
        whole.signal[masked[colour]] = one.signal[masked[colour]]
    assert whole is not None
    return whole, masked


def measure(scene: Scene, masked: dict[str, np.ndarray]) -> tuple[EdgeMeasurement, dict[str, EdgeColour]]:
    x0, y0, x1, y1 = scene.ends
    candidate = candidate_from_line(x0 + 0.3, y0, x1 - 0.3, y1, scene.normal, 40.0)
    edge = measure_edge(scene.signal, masked["G"], scene.saturated, candidate)
    others = {colour: masked[colour] for colour in "RB"}
    return edge, {found.channel: found for found in measure_colours(scene.signal, others, scene.saturated, edge)}


def lens(cutoff_px: float, sigma_px: float) -> dict[str, Transfer]:
    """A lens with the diffraction of three wavelengths and the same normal blur."""
    return {c: product(ideal(cutoff_px * w / WAVELENGTH["G"]), normal(sigma_px)) for c, w in WAVELENGTH.items()}


@pytest.mark.parametrize("pattern", ["bayer", "six"])
@pytest.mark.parametrize(("cutoff", "sigma"), [(0.25, 0.8), (0.6, 0.35), (3.1, 0.35)])
def test_offsets_and_sharpness_of_red_and_blue(pattern: str, cutoff: float, sigma: float) -> None:
    lenses = lens(cutoff, sigma)
    truth = {"R": 0.41, "B": -0.73}
    edge, found = measure(*three_colours(lenses, truth, pattern=pattern, snr=1000.0))
    assert edge.flags == ()
    for colour, offset in truth.items():
        assert found[colour].offset_px == pytest.approx(offset, abs=0.004)
        assert found[colour].mtf50_cy_per_px == pytest.approx(mtf50_of(lenses[colour], TILT), rel=0.01)


def test_a_colour_out_of_focus_keeps_its_place() -> None:
    lenses = {**lens(0.4, 0.4), "R": product(ideal(0.44), normal(1.6)), "B": pupil(0.35, w20=1.2)}
    edge, found = measure(*three_colours(lenses, {"R": 0.2, "B": -0.3}, snr=300.0))
    assert found["R"].offset_px == pytest.approx(0.2, abs=0.015)
    assert found["B"].offset_px == pytest.approx(-0.3, abs=0.015)
    for colour in "RB":
        assert found[colour].mtf50_cy_per_px == pytest.approx(mtf50_of(lenses[colour], TILT), rel=0.03)
        assert found[colour].mtf50_cy_per_px < 0.75 * edge.mtf50_cy_per_px


@pytest.mark.statistical
def test_offsets_scatter_as_their_standard_error_says() -> None:
    lenses = {**lens(0.6, 0.35), "B": product(ideal(0.51), normal(0.6))}
    truth = {"R": 0.3, "B": -0.4}
    pulls, errors, sharpness = [], [], []
    for seed in range(40):
        _, found = measure(*three_colours(lenses, truth, seed=seed, snr=60.0))
        for colour, offset in truth.items():
            one = found[colour]
            pulls.append((one.offset_px - offset) / one.offset_stderr_px)
            errors.append(one.offset_px - offset)
            sharpness.append((one.mtf50_cy_per_px - mtf50_of(lenses[colour], TILT)) / one.mtf50_stderr)
    assert np.abs(errors).max() < 0.02
    # standard deviation of 80 normal pulls: 1 +- 0.08, mean 0 +- 0.11
    assert 0.77 < np.std(pulls) < 1.23
    assert abs(np.mean(pulls)) < 0.35
    assert 0.7 < np.std(sharpness) < 1.3
    assert abs(np.mean(sharpness)) < 0.5


def centroid(signal: np.ndarray, scene: Scene, reach: float = 8.0) -> float:
    """Mean place of the line spread of a whole colour plane: the naive lateral colour, per row, then averaged."""
    x0, y0, x1, y1 = scene.ends
    rows = np.arange(math.ceil(y0) + 4, math.floor(y1) - 4)
    places = []
    for row in rows:
        middle = x0 + (x1 - x0) * (row - y0) / (y1 - y0)
        columns = np.arange(round(middle - reach), round(middle + reach) + 1)
        line = np.diff(signal[row, columns].astype(float))
        places.append(np.sum(line * (columns[:-1] + 0.5)) / np.sum(line) - middle)
    return float(np.mean(places)) * COSINE


@pytest.mark.parametrize("snr", [3000.0, 60.0])
def test_centroids_of_demosaiced_planes_are_biased(snr: float) -> None:
    """A demosaicer that follows gradients makes red and blue follow green: their offset comes out far too small.

    (A linear one keeps the first moment, and with it the centroid.)
    """
    truth = {"R": 0.4, "B": -0.32}
    scene, masked = three_colours(lens(0.4, 0.3), truth, snr=snr)
    mosaic = np.clip(scene.signal / 14.0, 0.0, 255.0).astype(np.uint8)
    # cv2 names a pattern by its second row and column; its variable-number-of-gradients method takes 8 bits only
    colours = cv2.cvtColor(mosaic, cv2.COLOR_BayerBG2BGR_VNG)
    naive = {c: centroid(colours[:, :, k], scene) for c, k in (("B", 0), ("G", 1), ("R", 2))}
    _, found = measure(scene, masked)
    assert abs(found["R"].offset_px - truth["R"]) < 0.02 and abs(found["B"].offset_px - truth["B"]) < 0.02
    assert naive["R"] - naive["G"] < 0.8 * truth["R"]
    assert abs(naive["R"] - naive["G"] - truth["R"]) > 0.05


def test_clipped_faint_and_missing_colours_are_unknown() -> None:
    scene, masked = three_colours(lens(0.6, 0.35), {"R": 0.2, "B": 0.1}, snr=100.0)
    scene.saturated[masked["R"]] = True
    scene.signal[masked["B"]] = 100.0
    _, found = measure(scene, masked)
    for colour in "RB":
        assert math.isnan(found[colour].offset_px) and math.isnan(found[colour].mtf50_cy_per_px)
        assert math.isnan(found[colour].offset_stderr_px)


def test_a_refused_edge_has_no_colours() -> None:
    scene, masked = three_colours(lens(0.6, 0.35), {}, snr=100.0)
    scene.saturated[:] = True
    edge, found = measure(scene, masked)
    assert not edge.usable and found == {}


def test_colours_survive_the_cache_and_the_fit_does_not() -> None:
    scene, masked = three_colours(lens(0.6, 0.35), {"R": 0.2, "B": 0.1}, snr=100.0)
    edge, found = measure(scene, masked)
    kept = EdgeMeasurement.from_dict(json.loads(json.dumps(replace(edge, colours=tuple(found.values())).as_dict())))
    assert kept.colours == tuple(found.values())
    assert kept.overshoot == edge.overshoot and kept.undershoot_stderr == edge.undershoot_stderr
    assert kept.spread is None
    assert measure_colours(scene.signal, {"R": masked["R"]}, scene.saturated, kept) == ()
