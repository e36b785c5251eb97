"""MTF50 and the whole MTF of slanted edges against exact edge spreads (edge_scenes), and against naive estimators."""

import json
import math

import numpy as np
import pytest
from edge_scenes import Scene, edge_spread, half_plane, patch_share, square, true_mtf, true_mtf50
from scipy.special import j1

from kitgauge.measure.edges.edge_candidate import candidate_from_line
from kitgauge.measure.edges.edge_sfr import EdgeMeasurement, measure_edge

# lambda N / pitch [px] and aberration sigma [px] from about f/1.8 to f/22 at 0.55 um and 4 um
LENSES = {"f/1.8": (0.25, 0.8), "f/2.8 sharp": (0.39, 0.25), "f/5.6": (0.78, 0.4), "f/11": (1.56, 0.35),
          "f/16": (2.2, 0.3), "f/22": (3.11, 0.3)}  # fmt: skip
NU = np.linspace(0.0, 0.5, 51)


def measure(scene: Scene, reach: float = 40.0, miss: float = 0.4, **known: float) -> EdgeMeasurement:
    """Measure with the line given up to `miss` px beside the edge and turned."""
    x0, y0, x1, y1 = scene.ends
    candidate = candidate_from_line(x0 + miss, y0 + miss, x1 - miss, y1 - miss, scene.normal, reach)
    return measure_edge(scene.signal, scene.mask, scene.saturated, candidate, **known)


def worst_difference(edge: EdgeMeasurement, expected: np.ndarray) -> float:
    return float(np.abs(np.interp(NU, edge.frequency_cy_per_px, edge.mtf) - expected).max())


def check(edge: EdgeMeasurement, lens: str, tilt: float, share: float, curve: float) -> None:
    cutoff, sigma = LENSES[lens]
    assert edge.flags == ()
    assert edge.mtf50_cy_per_px == pytest.approx(true_mtf50(cutoff, sigma, tilt), rel=share)
    assert worst_difference(edge, true_mtf(NU, cutoff, sigma, tilt)) < curve


@pytest.mark.parametrize("tilt", [2.0, 5.0, 11.31, 12.0])  # tan 11.31 = 1/5: the poorest sampling of a Bayer green
@pytest.mark.parametrize("lens", LENSES)
def test_no_bias_from_f_number_and_tilt(lens: str, tilt: float) -> None:
    cutoff, sigma = LENSES[lens]
    scene = half_plane(cutoff_px=cutoff, sigma_px=sigma, tilt_deg=tilt, snr=3000, seed=1)
    check(measure(scene), lens, tilt, share=0.002, curve=0.005)


@pytest.mark.parametrize("pattern", ["bayer", "six", "mono"])
@pytest.mark.parametrize("horizontal", [False, True])
def test_no_bias_from_pattern_and_direction(pattern: str, horizontal: bool) -> None:
    cutoff, sigma = LENSES["f/5.6"]
    scene = half_plane(cutoff_px=cutoff, sigma_px=sigma, pattern=pattern, horizontal=horizontal, snr=3000, length=120)
    edge = measure(scene)
    assert edge.orientation == ("horizontal" if horizontal else "vertical")
    check(edge, "f/5.6", 5.0, share=0.002, curve=0.005)


@pytest.mark.parametrize(
    "scene",
    [
        {"length": 60.0}, {"length": 400.0}, {"dark": 2100.0}, {"dark": 150.0}, {"phase": (0.0, 0.0)},
        {"phase": (0.5, 0.83)}, {"fall_across": 0.004}, {"fall_across": -0.004}, {"fall_along": 0.002},
        {"bow": 1.5}, {"bow": -4.0, "length": 300.0},
    ],
    ids=str,
)  # fmt: skip
@pytest.mark.parametrize("lens", ["f/2.8 sharp", "f/16"])
def test_no_bias_from_length_contrast_phase_light_and_bow(lens: str, scene: dict) -> None:
    cutoff, sigma = LENSES[lens]
    edge = measure(half_plane(cutoff_px=cutoff, sigma_px=sigma, snr=3000, **scene))
    check(edge, lens, 5.0, share=0.005, curve=0.01)


def test_the_two_simulators_agree() -> None:
    """The middle of a large square's side and a half-plane with the same blur: two routes to the same samples."""
    cutoff, sigma, tilt = 0.78, 0.4, 5.0
    share = patch_share(192, square((95.6, 96.2), 96.0, tilt), cutoff, sigma)
    turn = math.radians(tilt)
    y, x = np.mgrid[80:112, 32:60].astype(float)
    # distance from the left side, counted into the square
    d = (x - 95.6) * math.cos(turn) + (y - 96.2) * math.sin(turn) + 48.0
    expected = np.interp(d, *edge_spread(cutoff, sigma, tilt))
    # what the half-plane does not have: the far sides, by the aperture's tail, below 2 q / (pi^3 d) each
    assert np.abs(share[80:112, 32:60] - expected).max() < 3 * 2 * cutoff / math.pi**3 / 40


@pytest.mark.parametrize("lens", ["f/2.8 sharp", "f/11", "f/22"])
def test_square_patch_with_corners_and_far_sides(lens: str) -> None:
    cutoff, sigma = LENSES[lens]
    share = patch_share(320, square((160.3, 159.6), 150.0, 5.0), cutoff, sigma)
    clean = (3200.0 - 2400.0 * share).astype(np.float32)
    turn = math.radians(5.0)
    mask = np.indices(clean.shape).sum(axis=0) % 2 == 1
    for sign in (-1.0, 1.0):
        x, y = 160.3 + sign * 75.0 * math.cos(turn), 159.6 + sign * 75.0 * math.sin(turn)
        along = -60.0 * math.sin(turn), 60.0 * math.cos(turn)
        candidate = candidate_from_line(
            x - along[0], y - along[1], x + along[0], y + along[1], (sign, 0.0), 40.0, patch_px=150.0
        )
        edge = measure_edge(clean, mask, np.zeros(clean.shape, dtype=bool), candidate)
        check(edge, lens, 5.0, share=0.004, curve=0.005)


def _foreign(transfer, cutoff: float, sigma: float, snr: float, length: float) -> tuple[Scene, float, np.ndarray]:
    """A scene whose transfer function has a factor that is not in the model; its MTF50 and MTF."""
    stop = 1.0 / cutoff
    count = int(stop * 1200)
    nu = (np.arange(count) + 0.5) * stop / count
    whole = true_mtf(nu, cutoff, sigma, 5.0) * transfer(nu)
    d = np.arange(-80.0, 80.0, 0.05)
    spread = np.concatenate(
        [
            0.5 + np.sum((np.exp(2j * np.pi * part[:, None] * nu) * whole / (np.pi * nu)).imag, axis=1) * stop / count
            for part in np.array_split(d, 10)
        ]
    )
    base = half_plane(cutoff_px=cutoff, sigma_px=sigma, length=length)
    y, x = np.indices(base.signal.shape).astype(float)
    x0, y0, x1, y1 = base.ends
    v = (x - 0.5 * (x0 + x1)) * base.normal[0] + (y - 0.5 * (y0 + y1)) * base.normal[1]
    clean = 800.0 + 2400.0 * np.interp(v, d, spread)
    noise = np.random.default_rng(5).normal(size=clean.shape) * 3200.0 / snr
    fine = np.linspace(1e-6, 1.0, 20001)
    mtf = np.abs(true_mtf(fine, cutoff, sigma, 5.0) * transfer(fine))
    scene = Scene((clean + noise).astype(np.float32), base.mask, base.saturated, base.ends, base.normal)
    return scene, float(fine[np.argmax(mtf < 0.5)]), np.abs(true_mtf(NU, cutoff, sigma, 5.0) * transfer(NU))


def _disc(radius: float):
    def transfer(nu: np.ndarray) -> np.ndarray:
        s = 2.0 * np.pi * radius * np.maximum(nu, 1e-9)
        return 2.0 * j1(s) / s

    return transfer


@pytest.mark.parametrize(
    ("transfer", "length"),
    [
        (_disc(1.5), 200.0),
        (_disc(6.0), 300.0),
        (lambda nu: np.sinc(3.0 * nu), 200.0),
        (lambda nu: np.sinc(12.0 * nu), 300.0),
        (lambda nu: 0.75 + 0.25 * np.exp(-4.0 * (np.pi * nu) ** 2), 200.0),
        (lambda nu: 0.75 + 0.25 * np.exp(-2.0 * (np.pi * nu) ** 2 + 2.4j * np.pi * nu), 200.0),
    ],
    ids=["defocus", "strong defocus", "motion 3 px", "motion 12 px", "halo", "coma"],
)
def test_shapes_that_the_reference_does_not_have(transfer, length: float) -> None:
    scene, mtf50, mtf = _foreign(transfer, 0.78, 0.35, 500.0, length)
    edge = measure(scene)
    assert edge.flags == ()
    assert abs(edge.mtf50_cy_per_px - mtf50) < max(0.005 * mtf50, 3.0 * edge.mtf50_stderr)
    assert edge.mtf50_stderr < 0.01 * mtf50
    found, error = (np.interp(NU, edge.frequency_cy_per_px, part) for part in (edge.mtf, edge.mtf_stderr))
    assert np.all(np.abs(found - mtf) < np.maximum(0.02, 3.0 * error))
    first_lobe = slice(0, 1 + int(200.0 * mtf50))  # NU runs in steps of 0.01
    assert np.all(np.abs(found - mtf)[first_lobe] < 0.02)


def naive_mtf50(scene: Scene, samples: np.ndarray, mask: np.ndarray) -> float:
    """Plain quarter-pixel bins, differences, Hamming window, transform: no correction of any kind, true edge given."""
    x0, y0, x1, y1 = scene.ends
    row, column = np.nonzero(mask)
    length = math.hypot(x1 - x0, y1 - y0)
    u = ((column - x0) * (x1 - x0) + (row - y0) * (y1 - y0)) / length
    v = (column - x0) * scene.normal[0] + (row - y0) * scene.normal[1]
    inside = (u >= 0) & (u <= length) & (np.abs(v) < 16.0)
    index = np.floor((v[inside] + 16.0) * 4).astype(int)
    spread = np.bincount(index, samples[row, column][inside]) / np.bincount(index)
    line = np.gradient(spread)
    mtf = np.abs(np.fft.rfft(line * np.hamming(line.size), 8192))
    mtf /= mtf[0]
    nu = np.fft.rfftfreq(8192, 0.25)
    k = int(np.argmax(mtf < 0.5))
    return float(nu[k - 1] + (mtf[k - 1] - 0.5) / (mtf[k - 1] - mtf[k]) * (nu[k] - nu[k - 1]))


def bilinear_green(signal: np.ndarray, mask: np.ndarray) -> np.ndarray:
    """Green at every pixel, the missing ones as the mean of their four neighbours."""
    padded = np.pad(signal, 1, mode="reflect")
    cross = padded[:-2, 1:-1] + padded[2:, 1:-1] + padded[1:-1, :-2] + padded[1:-1, 2:]
    return np.where(mask, signal, cross / 4.0)


@pytest.mark.parametrize("lens", ["f/16", "f/22"])
def test_naive_bins_and_window_read_high_at_small_apertures(lens: str) -> None:
    cutoff, sigma = LENSES[lens]
    scene = half_plane(cutoff_px=cutoff, sigma_px=sigma, snr=3000)
    expected = true_mtf50(cutoff, sigma, 5.0)
    naive = naive_mtf50(scene, scene.signal, scene.mask)
    assert naive > 1.01 * expected
    check(measure(scene), lens, 5.0, share=0.002, curve=0.005)


def test_naive_bins_read_low_on_a_sharp_lens() -> None:
    cutoff, sigma = LENSES["f/2.8 sharp"]
    scene = half_plane(cutoff_px=cutoff, sigma_px=sigma, snr=3000)
    assert naive_mtf50(scene, scene.signal, scene.mask) < 0.99 * true_mtf50(cutoff, sigma, 5.0)
    check(measure(scene), "f/2.8 sharp", 5.0, share=0.002, curve=0.005)


@pytest.mark.parametrize("lens", ["f/2.8 sharp", "f/5.6"])
def test_demosaiced_then_measured_is_wrong(lens: str) -> None:
    cutoff, sigma = LENSES[lens]
    scene = half_plane(cutoff_px=cutoff, sigma_px=sigma, snr=3000)
    green = bilinear_green(scene.signal, scene.mask)
    everywhere = np.ones_like(scene.mask)
    expected = true_mtf50(cutoff, sigma, 5.0)
    developed = Scene(green.astype(np.float32), everywhere, scene.saturated, scene.ends, scene.normal)
    assert measure(developed).mtf50_cy_per_px < 0.97 * expected  # even with our own estimator
    assert naive_mtf50(developed, green, everywhere) < 0.95 * expected
    check(measure(scene), lens, 5.0, share=0.002, curve=0.005)


@pytest.mark.statistical
@pytest.mark.parametrize("snr", [20.0, 60.0, 200.0])
def test_errors_scatter_as_their_standard_error_says(snr: float) -> None:
    pulls, relative = [], []
    for seed in range(40):
        cutoff, sigma = list(LENSES.values())[seed % 6]
        tilt = (2.0, 3.7, 5.0, 8.2, 12.0)[seed % 5]
        phase = ((0.377 * seed) % 1.0, (0.611 * seed) % 1.0)
        scene = half_plane(
            cutoff_px=cutoff, sigma_px=sigma, tilt_deg=tilt, snr=snr, seed=1000 + seed, phase=phase, length=160.0
        )
        edge = measure(scene)
        expected = true_mtf50(cutoff, sigma, tilt)
        pulls.append((edge.mtf50_cy_per_px - expected) / edge.mtf50_stderr)
        relative.append(edge.mtf50_cy_per_px / expected - 1.0)
    # standard deviation of 40 normal pulls: 1 +- 0.11; under three of these
    assert 0.7 < np.std(pulls) < 1.3
    # mean of 40 pulls: 0 +- 0.16
    assert abs(np.mean(pulls)) < 0.45
    assert abs(np.mean(relative)) < 0.2 / snr + 0.0005
    assert np.std(relative) < 0.8 / snr


@pytest.mark.statistical
def test_edge_group_of_two_frames_is_within_half_a_percent() -> None:
    """Two edges in each of two frames, the case in which the limits are used: median error under 0.5 %, worst 1.5 %."""
    errors = []
    for seed in range(20):
        cutoff, sigma = list(LENSES.values())[seed % 6]
        tilt = (2.0, 4.0, 6.0, 9.0, 12.0)[seed % 5]
        values = [
            measure(
                half_plane(
                    cutoff_px=cutoff,
                    sigma_px=sigma,
                    tilt_deg=tilt,
                    snr=80.0,
                    seed=4 * seed + k,
                    phase=((0.377 * seed) % 1.0, 0.25 * k),
                    length=200.0,
                )
            ).mtf50_cy_per_px
            for k in range(4)
        ]
        errors.append(abs(np.mean(values) / true_mtf50(cutoff, sigma, tilt) - 1.0))
    assert np.median(errors) < 0.005
    assert max(errors) < 0.015


def test_edge_position_tells_lateral_colour() -> None:
    """Two colours displaced by 0.37 px: the difference of their offsets."""
    offsets = []
    for shift in (0.0, 0.37):
        scene = half_plane(cutoff_px=0.78, sigma_px=0.4, phase=(0.2 + shift, 0.1), snr=100, seed=3)
        fixed = half_plane(cutoff_px=0.78, sigma_px=0.4, phase=(0.2, 0.1))
        candidate = candidate_from_line(*fixed.ends, fixed.normal, 40.0)
        edge = measure_edge(scene.signal, scene.mask, scene.saturated, candidate)
        offsets.append(edge.edge_offset_px)
        assert edge.edge_offset_stderr < 0.01
    assert offsets[1] - offsets[0] == pytest.approx(0.37 * math.cos(math.radians(5.0)), abs=0.015)


@pytest.mark.statistical
def test_edge_position_scatters_as_its_standard_error_says() -> None:
    """The candidate's line turns about the true edge: the true offset is 0."""
    pulls = []
    for seed in range(40):
        cutoff, sigma = LENSES[("f/5.6", "f/2.8 sharp")[seed % 2]]
        phase = ((0.377 * seed) % 1.0, (0.611 * seed) % 1.0)
        scene = half_plane(cutoff_px=cutoff, sigma_px=sigma, snr=100, length=120, dark=1000.0, phase=phase, seed=seed)
        edge = measure(scene, diffraction_px=cutoff)
        pulls.append(edge.edge_offset_px / edge.edge_offset_stderr)
    # standard deviation of 40 normal pulls: 1 +- 0.11, mean 0 +- 0.16; under three of these
    assert 0.7 < np.std(pulls) < 1.3
    assert abs(np.mean(pulls)) < 0.45


def test_hot_samples_do_not_disturb() -> None:
    cutoff, sigma = LENSES["f/5.6"]
    scene = half_plane(cutoff_px=cutoff, sigma_px=sigma, snr=200, seed=2)
    rng = np.random.default_rng(0)
    rows, columns = scene.signal.shape
    scene.signal[rng.integers(0, rows, 30), rng.integers(0, columns, 30)] = 15000.0
    check(measure(scene), "f/5.6", 5.0, share=0.01, curve=0.02)


def test_angle_and_levels_are_told() -> None:
    for horizontal in (False, True):
        scene = half_plane(cutoff_px=0.78, sigma_px=0.4, tilt_deg=6.0, snr=100, horizontal=horizontal)
        straight = measure(scene, miss=0.0)
        skewed = measure(scene, miss=0.4)
        assert abs(straight.angle_deg) == pytest.approx(6.0, abs=0.05)
        assert skewed.angle_deg == pytest.approx(straight.angle_deg, abs=0.03)
        assert skewed.dark_dn == pytest.approx(800.0, rel=0.01)
        assert skewed.bright_dn == pytest.approx(3200.0, rel=0.01)
        assert skewed.snr == pytest.approx(75.0, rel=0.1)  # contrast 2400 over noise 32


@pytest.mark.parametrize(
    ("flag", "scene", "change"),
    [
        ("edge-clipped", {}, "clip"),
        ("edge-short", {"length": 15.0}, ""),
        ("edge-crowded", {}, "narrow"),
        ("low-contrast", {"dark": 2900.0}, ""),
        ("edge-noisy", {"snr": 2.0}, ""),
        ("edge-crowded", {"sigma_px": 6.0}, "close"),
    ],
)
def test_refusals(flag: str, scene: dict, change: str) -> None:
    made = half_plane(**{"cutoff_px": 0.78, "sigma_px": 0.4, "snr": 100.0, **scene})
    if change == "clip":
        made.saturated[:, made.saturated.shape[1] // 2 + 5 :] = True
    edge = measure(made, reach={"narrow": 3.0, "close": 14.0}.get(change, 40.0))
    assert flag in edge.flags
    assert math.isnan(edge.mtf50_cy_per_px) and math.isnan(edge.mtf50_stderr)
    assert not edge.usable
    assert edge.mtf.size == 0


def test_nothing_but_noise_is_refused() -> None:
    scene = half_plane(cutoff_px=0.78, sigma_px=0.4)
    scene.signal[:] = np.random.default_rng(0).normal(1000.0, 30.0, scene.signal.shape)
    assert not measure(scene).usable


def test_json_round_trip() -> None:
    edge = measure(half_plane(cutoff_px=0.78, sigma_px=0.4, snr=100))
    back = EdgeMeasurement.from_dict(json.loads(json.dumps(edge.as_dict())))
    assert back.as_dict().keys() == edge.as_dict().keys()
    assert np.array_equal(back.mtf, edge.mtf)
    assert back.candidate.length_px == edge.candidate.length_px
    assert back.mtf50_cy_per_px == edge.mtf50_cy_per_px


def test_shapes_must_agree() -> None:
    scene = half_plane(cutoff_px=0.78, sigma_px=0.4)
    candidate = candidate_from_line(*scene.ends, scene.normal, 40.0)
    with pytest.raises(ValueError, match="one shape"):
        measure_edge(scene.signal, scene.mask[:-1], scene.saturated, candidate)
