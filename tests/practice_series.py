"""Small practice series of an everyday scene with known truth, as DNG or JPEG files."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from kitgauge.exposure import iso_for
from kitgauge.simulate.everyday import EverydayScene, EverydayShot, shoot_everyday
from kitgauge.simulate.lens import Lens
from kitgauge.simulate.model import SimulatedKit

LIGHT_EV = 8.0


def practice_kit(**changes) -> SimulatedKit:
    """Return a kit of 0.54 megapixels with a 35 mm lens."""
    lens = replace(Lens(), name="Sampler 35 mm f/1.8", focal_mm=35.0)
    return replace(SimulatedKit(), **{"shape": (600, 900), "lens": lens, "framing_px": 4.0, **changes})


def balanced_iso(shutter_s: float, f_number: float) -> float:
    """Return the ISO that exposes the scene, within the kit's range."""
    return min(max(iso_for(LIGHT_EV, f_number, shutter_s), 100.0), 12800.0)


def shoot_shutter(folder: Path, *, seed: int = 11, speed: float = 200.0, jpeg: bool = False, times=None, each: int = 2):
    """Shoot a series of shutter times by hand, with a thing that crosses the picture; return the truth by file."""
    times = times or (1 / 512, 1 / 64, 1 / 8)
    f_number = 2.0**2.5
    shots = [EverydayShot(balanced_iso(t, f_number), t, f_number, True) for t in times for _ in range(each)]
    scene = EverydayScene(thing_mm_per_s=speed, light_ev100=LIGHT_EV)
    return {t.path.name: t for t in shoot_everyday(practice_kit(), scene, shots, folder, seed=seed, jpeg=jpeg)}


def shoot_aperture(folder: Path, f_numbers, *, seed: int = 4, distances_m=(1.7, 2.0, 2.6), jpeg: bool = False):
    """Shoot a series of f-numbers from a tripod at ISO 100; return the truth by file."""
    shots = [EverydayShot(100.0, n * n / 2.0**LIGHT_EV, n) for n in f_numbers]
    scene = EverydayScene(distances_m=distances_m, light_ev100=LIGHT_EV)
    return {t.path.name: t for t in shoot_everyday(practice_kit(), scene, shots, folder, seed=seed, jpeg=jpeg)}


def shoot_iso(folder: Path, isos, *, seed: int = 5, jpeg: bool = False):
    """Shoot a series of ISO values from a tripod at f/8; return the truth by file."""
    shots = [EverydayShot(iso, 100.0 * 64.0 / (iso * 2.0**LIGHT_EV), 8.0) for iso in isos]
    scene = EverydayScene(light_ev100=LIGHT_EV)
    return {t.path.name: t for t in shoot_everyday(practice_kit(), scene, shots, folder, seed=seed, jpeg=jpeg)}
