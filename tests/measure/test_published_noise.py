"""Published cameras simulated from their printed numbers and recovered.

Sources: EMVA 1288 working group's simulated camera, doi:10.5281/zenodo.12705845; gain and read noise of two
sensors and the variance line of a third, each named in `published/README.md`.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from simulated_pairs import dark_pair, flat_pair, frame

from kitgauge.fit.noise.iso_meaning import iso_meaning
from kitgauge.fit.noise.linearity import linearity
from kitgauge.fit.noise.noise_iso import fit_noise_iso
from kitgauge.measure.noise.dark_pair import measure_dark_pair
from kitgauge.measure.noise.noise_points import PlanePairs, noise_points
from kitgauge.measure.noise.photon_transfer import measure_flat_pair

PUBLISHED = Path(__file__).resolve().parents[3] / "shared" / "published"
needs_tables = pytest.mark.skipif(not PUBLISHED.is_dir(), reason=f"published figures not found at {PUBLISHED}")


def rows(name):
    path = PUBLISHED / name
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines())) if path.is_file() else []


def rounding(text):
    """Half a unit of the last printed digit."""
    decimals = len(text.partition(".")[2])
    return 0.5 * 10.0**-decimals


# ---- the working group's simulated camera (specification text; facts read from it, not imported)
# -----------------


class SimulatedCamera:
    """12-bit, 640 x 480, K = 0.1 DN/e-, dark noise 30 e-, dark value 29.4 DN, DSNU, PRNU, outliers, falloff,
    bent."""

    def __init__(self, seed, bent=True):
        self.rng = np.random.default_rng(seed)
        self.bent = bent
        shape = (480, 640)
        y, x = np.mgrid[:480, :640]
        waves = [np.sin(2 * np.pi * f * axis) for f in (0.04, 0.2) for axis in (x, y)]
        self.dark_dn = 29.4 + 1.5 * self.rng.standard_normal(shape) + 1.5 * sum(waves)
        self.response = 1 + 0.005 * self.rng.standard_normal(shape)
        spots = self.rng.choice(480 * 640, 200, replace=False)
        self.dark_dn.ravel()[spots[:100]] += self.rng.uniform(0, 15, 100)
        self.response.ravel()[spots[100:]] *= self.rng.uniform(0.7, 1.0, 100)
        r2 = ((x - 319.5) / 319.5) ** 2 + ((y - 239.5) / 239.5) ** 2
        self.light = 1 - 0.03 * r2 / 2

    def frame(self, photons):
        electrons = self.rng.poisson(0.5 * photons * self.light * self.response)
        dn = 0.1 * (electrons + 30 * self.rng.standard_normal(electrons.shape)) + self.dark_dn
        if self.bent:
            dn = dn * (1 - 0.02 * (dn / 4095) ** 3)
        return np.clip(np.round(dn), 0, 4095).astype(np.uint16)

    def points(self, steps):
        darks = measure_dark_pair(self.frame(0), self.frame(0))
        flats = [
            measure_flat_pair(self.frame(1659.66 * step), self.frame(1659.66 * step), darks.mean_dn, 4095.0)
            for step in steps
        ]
        return darks, flats, noise_points(100, [PlanePairs("G", tuple(flats), (darks,))])[0]


def test_simulated_camera_recovered_where_it_is_straight():
    # below a quarter of saturation the bend y^3 changes gain by less than 4 x 0.02 x 0.25^3 = 0.13 %
    darks, flats, point = SimulatedCamera(1).points((4, 7, 10, 13))
    assert point.gain_e_per_dn == pytest.approx(10.0, abs=3.5 * point.gain_e_per_dn_stderr + 0.013)
    assert point.gain_e_per_dn_stderr < 0.02
    assert point.read_noise_e == pytest.approx(30.0, abs=3.5 * point.read_noise_e_stderr + 0.05)
    assert darks.mean_dn == pytest.approx(29.4, abs=0.06)  # outliers add 0.0024, waves average out to 0.02
    # a standard deviation of 1.5 DN of white and four sine waves; neighbours differ by the white part and the
    # share 1 - cos(2 pi f) of the waves along the row
    waves = sum(0.5 * 1.5**2 * (1 - math.cos(2 * math.pi * f)) for f in (0.04, 0.2))
    assert darks.dsnu_dn == pytest.approx(math.sqrt(1.5**2 + waves), rel=0.03)
    assert flats[-1].falloff < 1.04
    # PRNU 0.5 %; at 1 078 DN the dark pattern adds 1.8 DN = 0.17 %
    expected = math.hypot(0.005, darks.dsnu_dn / flats[-1].signal_dn)
    assert flats[-1].prnu == pytest.approx(expected, rel=0.08)


def test_simulated_camera_at_half_saturation_shows_its_bend():
    # y' = y (1 - 0.02 (y/4095)^3) near y = 2100: the slope is 1 - 0.08 (y/4095)^3, the level 1 - 0.02
    # (y/4095)^3, and the gain that variance over level gives is off by twice the one less the other
    _, flats, point = SimulatedCamera(2).points((25,))
    share = (flats[0].signal_dn + 29.4) / 4095
    bend = (1 - 0.02 * share**3) / (1 - 0.08 * share**3) ** 2
    assert point.gain_e_per_dn == pytest.approx(10.0 * bend, abs=3.5 * point.gain_e_per_dn_stderr)
    assert bend > 1.015


def test_simulated_camera_linearity_error():
    # nine levels up to 92 % of its light, by marked shutter times whose exact ones are 2^(-k/3) s; the bend in the
    # specification's own closed form, and the straight line of least relative deviations by numpy: an independent route
    # to every departure
    camera = SimulatedCamera(3)
    darks = measure_dark_pair(camera.frame(0), camera.frame(0))
    marked = {
        1 / 500: 27,
        1 / 250: 24,
        1 / 125: 21,
        1 / 100: 20,
        1 / 80: 19,
        1 / 60: 18,
        1 / 50: 17,
        1 / 40: 16,
        1 / 30: 15,
    }
    steps = 47 * 2.0 ** ((15 - np.array(list(marked.values()))) / 3)
    flats = tuple(
        measure_flat_pair(camera.frame(1659.66 * s), camera.frame(1659.66 * s), darks.mean_dn, 4095.0) for s in steps
    )
    settings = tuple((time, 1.0) for time in marked)
    [found] = linearity({100.0: [PlanePairs("G", flats, (darks,), flat_settings=settings)]})

    def bent(straight):
        return straight * (1 - 0.02 * (straight / 4095) ** 3)

    light = float(camera.light.mean() * camera.response.mean())
    level = bent(29.4 + steps * 1659.66 * 0.05 * light) - bent(29.4)
    slope, offset = np.polyfit(steps, level, 1, w=1 / level)
    expected = (level - offset - slope * steps) / (4095 - 29.4)
    # the fall-off by 3 % spreads the levels of a frame: the mean of the bend differs from that of the mean by 2e-4
    assert found.departure == pytest.approx(expected, abs=3e-4)
    assert 0.004 < found.error_max < 0.02 and found.p_value < 0.01
    assert found.error_mean == pytest.approx(
        np.abs(expected * (4095 - 29.4) / (offset + slope * steps)).mean(), rel=0.05
    )


# ---- printed gain and read noise
# -------------------------------------------------------------------------------


@needs_tables
@pytest.mark.parametrize("row", rows("gain-read-noise.csv"), ids=lambda row: f"{row['sensor']}-{row['iso']}")
def test_gain_and_read_noise_table(row):
    compact = row["sensor"] == "module-12bit"
    # black and white as printed with the table; the 2007 body is a 14-bit one (from memory)
    black, white = (256.3, 4095) if compact else (1024.0, 16383)
    full_well = 8180.0 if compact else 41_400.0
    # the module's gain at amplification 16 is not printed: one sixteenth of the other
    gain = float(row["gain_e_per_dn"] or 2.1277 / 16)
    read_e = float(row["read_noise_e"])
    level = 0.4 * min(full_well, gain * (white - black))
    rng = np.random.default_rng(3)
    hard = {"drift": 1.015, "falloff": 0.3, "prnu": 0.006}
    flats = flat_pair(rng, (320, 360), level, gain, read_e, black=black, white=white, **hard)
    darks = dark_pair(rng, (320, 360), gain, read_e, black=black, white=white)
    pair = measure_flat_pair(*flats, black, white)
    [point] = noise_points(100, [PlanePairs("G", (pair,), (measure_dark_pair(*darks),))])
    if row["gain_e_per_dn"]:
        tolerance = rounding(row["gain_e_per_dn"]) + 3 * point.gain_e_per_dn_stderr
        assert point.gain_e_per_dn == pytest.approx(gain, abs=tolerance)
    tolerance = rounding(row["read_noise_e"]) + 3 * point.read_noise_e_stderr
    assert point.read_noise_e == pytest.approx(read_e, abs=tolerance)
    if compact and row["iso"] == "gain-1":
        # printed: clipping at 8180 e- for white 4095 and black 256.3
        assert gain * (white - black) == pytest.approx(8180, abs=15)
        assert point.saturation_e == pytest.approx(8180, rel=0.01)


@needs_tables
@pytest.mark.parametrize("row", rows("variance-line-12bit.csv"), ids=lambda row: row["iso"])
def test_variance_line(row):
    # variance = a signal + b [DN], black 240, 12 bit: gain 1/a, read noise sqrt(b - 1/12)
    slope, offset = float(row["a_dn"]), float(row["b_dn2"])
    black, white = 240.0, 4095
    rng = np.random.default_rng(4)
    gain = 1 / slope
    read_e = math.sqrt(offset - 1 / 12) * gain
    level = 0.3 * (white - black) * gain
    flats = [frame(rng, np.full((300, 300), level), gain, read_e, black=black, white=white) for _ in range(2)]
    darks = [frame(rng, np.zeros((300, 300)), gain, read_e, black=black, white=white) for _ in range(2)]
    pair, dark = measure_flat_pair(*flats, black, white), measure_dark_pair(*darks)
    [point] = noise_points(float(row["iso"]), [PlanePairs("G", (pair,), (dark,))])
    assert 1 / point.gain_e_per_dn == pytest.approx(slope, rel=3.5 * point.gain_e_per_dn_stderr / point.gain_e_per_dn)
    assert dark.variance_dn2 == pytest.approx(offset, abs=3.5 * dark.variance_stderr_dn2)
    assert "clipped-black" not in point.flags


def ladder_of(sensor_rows, black, white, level_e):
    """Measure one flat and one dark pair per row of (ISO, gain, read noise e-)."""
    rng = np.random.default_rng(5)
    points = []
    for iso, gain, read_e in sensor_rows:
        level = level_e(gain)
        flats = flat_pair(rng, (320, 360), level, gain, read_e, black=black, white=white, drift=1.01, falloff=0.2)
        darks = dark_pair(rng, (320, 360), gain, read_e, black=black, white=white)
        pair = measure_flat_pair(*flats, black, white)
        points += noise_points(iso, [PlanePairs("G", (pair,), (measure_dark_pair(*darks),))])
    return points


@needs_tables
def test_what_iso_means_on_the_body_of_2007():
    # relative sensitivity is the ratio of the printed gains; each gain is known to half a unit of its last digit
    printed = [row for row in rows("gain-read-noise.csv") if row["sensor"] == "aps-c-2007"]
    body = [(float(r["iso"]), float(r["gain_e_per_dn"]), float(r["read_noise_e"])) for r in printed]
    points = ladder_of(body, 1024.0, 16383, lambda gain: 0.4 * min(41_400.0, gain * 15_359))
    meaning = iso_meaning(points, fit_noise_iso(points), {})
    for value, row, (iso, gain, _) in zip(meaning.values, printed, body, strict=True):
        assert value.iso == iso and value.kind == "amplified"
        print_stops = (rounding(row["gain_e_per_dn"]) / gain + 0.005 / 2.96) / math.log(2)
        stops = math.log2(2.96 / gain)
        assert value.relative_stops == pytest.approx(stops, abs=print_stops + 3.5 * value.relative_stops_stderr)
    # ISO 200 gives 2.96/1.55: 0.067 stops less than its label says
    assert meaning.values[1].departure_stops == pytest.approx(-0.067, abs=0.02)


@needs_tables
def test_what_iso_means_on_the_12_bit_camera():
    lines = [(float(r["iso"]), float(r["a_dn"]), float(r["b_dn2"])) for r in rows("variance-line-12bit.csv")]
    body = [(iso, 1 / a, math.sqrt(b - 1 / 12) / a) for iso, a, b in lines]
    points = ladder_of(body, 240.0, 4095, lambda gain: 0.3 * 3855 * gain)
    fit = fit_noise_iso(points)
    assert fit.dual_gain_iso is None
    meaning = iso_meaning(points, fit, {})
    for value, (_, a, _) in zip(meaning.values, lines, strict=True):
        stops = math.log2(a / lines[0][1])  # six decimals printed: no rounding to speak of
        assert value.relative_stops == pytest.approx(stops, abs=3.5 * value.relative_stops_stderr + 1e-6)
    # dynamic range at ISO 1600 by hand: 3855 DN over sqrt(11.834) DN = 1120.6 = 2^10.130
    assert points[0].dynamic_range_stops == pytest.approx(10.130, abs=0.03)


@pytest.mark.parametrize("bent", [True, False])
def test_simulated_camera_raises_no_alarm(bent):
    # waves of 5 and 25 pixels make neighbours alike in the dark; no filter does
    for seed in range(4):
        camera = SimulatedCamera(seed, bent)
        dark = measure_dark_pair(camera.frame(0), camera.frame(0))
        assert dark.flags == ()
        for step, flags in ((7, ()), (25, ()), (46, ()), (50, ("clipped",))):
            frames = camera.frame(1659.66 * step), camera.frame(1659.66 * step)
            assert measure_flat_pair(*frames, dark.mean_dn, 4095.0).flags == flags
