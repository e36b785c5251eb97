"""No setting on the dials ranks higher, in the planner's stated order of preference, than the one it gives."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from kitgauge.limits.entries import AcceptedLimit
from kitgauge.planner.choose import Bounds, choose, dials
from kitgauge.planner.motion import Hands, Motion
from kitgauge.planner.plan import make_plan
from kitgauge.planner.request import CameraFacts, PlanRequest

SIXTH = 1 / 6


def best_of_all(bounds: Bounds, camera: CameraFacts, wanted: tuple[float, float]) -> tuple[float, float, float]:
    """Return (time, f-number, ISO) that ranks highest among all combinations of the dials.

    The order as `choose` states it: exposure within a sixth of a stop (else the smallest error); then the time not
    slower than wanted, the aperture not wider than wanted (it opens before the time gives way), not closed further, and
    the time not faster than needed; then the best exposure. ISO follows from the exposure alone: its limit is told as
    a shortfall, never traded against the picture in silence. Arrays over all combinations, none of the planner's code.
    """
    available = dials(camera)
    t, n, s = (np.array(values) for values in (available.shutter_s, available.f_number, available.iso))
    t, n, s = (grid.ravel() for grid in np.meshgrid(t, n, s, indexing="ij"))
    error = np.abs(np.log2(t * 2.0**bounds.ev100 * s / (100 * n * n)))
    exposed = error <= SIXTH + 1e-6
    stops = {
        "slower": np.maximum(np.log2(t / wanted[0]), 0),
        "opened": np.maximum(2 * np.log2(wanted[1] / n), 0),
        "closed": np.maximum(2 * np.log2(n / wanted[1]), 0),
        "faster": np.maximum(np.log2(wanted[0] / t), 0),
    }
    within = exposed if exposed.any() else error <= error.min() + 1e-9
    keys = [np.round(stops[name], 6) for name in ("slower", "opened", "closed", "faster")] + [np.round(error, 6)]
    order = np.lexsort([key[within] for key in reversed(keys)])
    best = np.flatnonzero(within)[order[0]]
    return float(t[best]), float(n[best]), float(s[best])


def test_no_combination_of_the_dials_ranks_higher() -> None:
    rng = random.Random(2720)
    camera = CameraFacts(iso_max=12800, f_min=1.4, f_max=16, shutter_fastest_s=1 / 4000, shutter_slowest_s=1).exact()
    available = dials(camera)
    seen = {"opened": 0, "slowed": 0, "faster": 0, "closed": 0, "plain": 0, "off": 0}
    for _ in range(300):
        hands = Hands(math.exp(rng.uniform(math.log(1 / 500), math.log(0.5))), 0.8, slope=rng.uniform(0.4, 1.3))
        bounds = Bounds(
            ev100=rng.uniform(-12, 24),
            motion=Motion(hands, hands.slowest_s(0.8), rng.choice([1 / 64, 1 / 256, math.inf]), 0.0, 0.8),
            f_depth=rng.choice([0.0, rng.uniform(1.4, 20)]),
            f_sharp_low=rng.uniform(1.2, 4),
            f_sharp_high=11.4,
            iso_limit=math.exp(rng.uniform(math.log(200), math.log(12000))),
            f_focus=rng.choice([0.0, rng.uniform(1.4, 8)]),
        )
        # what freezing, depth, focusing and sharpness ask for, from the bounds alone
        cap = min(hands.slowest_s(0.8), bounds.motion.subject_cap_s)
        time = max((t for t in available.shutter_s if t <= cap * (1 + 1e-6)), default=available.shutter_s[0])
        needed = max(bounds.f_depth, bounds.f_focus, bounds.f_sharp_low)
        number = min((n for n in available.f_number if n >= needed * (1 - 1e-6)), default=available.f_number[-1])
        choice = choose(bounds, available)
        ours = (choice.setting.shutter_s, choice.setting.f_number, choice.setting.iso)
        assert ours == pytest.approx(best_of_all(bounds, camera, (time, number)))
        kind = next((name for name in ("slowed", "opened", "closed", "faster") if getattr(choice, name)), "plain")
        seen["off" if abs(choice.setting.error_stops) > SIXTH + 1e-6 else kind] += 1
    assert all(count >= 5 for count in seen.values()), seen  # every branch of the order was met


def test_taking_the_shutter_before_the_aperture_would_break_the_order() -> None:
    """A planner that slowed the shutter first, with the aperture left alone, fails the same comparison."""
    camera = CameraFacts().exact()
    bounds = Bounds(-3.0, Motion(None, 1 / 64, math.inf, 0.0, 0.8), 0.0, 5.65, 11.4, 3200.0)
    ours = choose(bounds, dials(camera)).setting
    best = best_of_all(bounds, camera, (1 / 64, 2**2.5))
    assert (ours.shutter_s, ours.f_number, ours.iso) == pytest.approx(best)
    shutter_first = 100 * 2**5 / (25600 * 2**-3.0)
    assert shutter_first > ours.shutter_s * 1.9


def test_more_of_anything_helpful_never_makes_a_plan_worse(
    kit_limits: list[AcceptedLimit], kit_camera: CameraFacts
) -> None:
    """Where physics is monotone, so are plans: light, keep rate, distance, focal length, speed, filter, margin."""

    def plan(**changes: object):  # type: ignore[no-untyped-def]
        asked = {"ev100": 8.0, "focal_mm": 50.0, "distance_m": 4.0, "subject": "300", "technique": "standing"}
        return make_plan(PlanRequest(**{**asked, **changes}), kit_limits, kit_camera)  # type: ignore[arg-type]

    series = {
        "subject": ["200", "500", "1000", "3000", "9000"],
        "keep": [0.3, 0.6, 0.8, 0.9, 0.97],
        "focal_mm": [24.0, 35.0, 50.0, 85.0, 200.0],
    }
    for name, values in series.items():  # each harder to freeze than the one before
        still = {"subject": "0"} if name == "keep" else {}
        times = [plan(**{**still, name: value}).choice.wanted_shutter_s for value in values]
        assert times == sorted(times, reverse=True), name
        assert times[0] > times[-1]
    away = [plan(distance_m=distance).choice.wanted_shutter_s for distance in (1.0, 2.0, 5.0, 20.0, 100.0)]
    assert away == sorted(away)
    towards = [plan(direction_deg=degrees).choice.wanted_shutter_s for degrees in (0.0, 20.0, 45.0, 90.0)]
    assert towards[0] > towards[-1]
    isos = [plan(nd_stops=stops).setting.iso for stops in (0.0, 1.0, 2.0, 4.0)]
    assert isos == sorted(isos)
    margins = [plan(highlight_margin_stops=stops) for stops in (0.0, 0.5, 1.0, 2.0)]
    assert [m.setting.iso for m in margins] == sorted((m.setting.iso for m in margins), reverse=True)
    snr = [m.predicted.snr for m in margins]
    assert snr == pytest.approx([snr[0]] * 4, rel=0.06)  # same light on the sensor: a margin costs no SNR by itself
    gaps = [m.shortfall_stops for m in margins]
    assert max(gaps) - min(gaps) < 0.35  # nor does it hide a gap
