"""Which kit's limits and measured noise apply to a frame: the one named, else the one of the frame's own body."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path

from kitgauge.errors import PlanError, UsageError
from kitgauge.exposure import exact_iso
from kitgauge.limits.entries import AcceptedLimit
from kitgauge.limits.kit_folder import chosen_kit, known_kits
from kitgauge.limits.run_folders import run_folders
from kitgauge.limits.store import FILE_NAME, read_limits
from kitgauge.planner.kit_model import KitModel, model_behind

_NEAR_STOPS = 0.2  # an ISO this near to a measured one has its gain and read noise


@dataclass(frozen=True)
class PixelNoise:
    """Measured noise of one ISO: gain [e-/DN] and read noise [e-] of green."""

    iso: float
    gain_e_per_dn: float
    read_noise_e: float


@dataclass(frozen=True)
class Kit:
    """Accepted limits of one body with the curves behind them; empty where nothing is known. `note` says whose."""

    limits: tuple[AcceptedLimit, ...] = ()
    model: KitModel = field(default_factory=KitModel)
    noise: tuple[PixelNoise, ...] = ()
    note: str = ""

    def pixel_noise(self, iso: float | None) -> PixelNoise | None:
        """Return the measured noise at an exact ISO, between two measured ones in proportion; None outside them."""
        if iso is None or not self.noise:
            return None
        below = max((p for p in self.noise if p.iso <= iso * 2**_NEAR_STOPS), key=lambda p: p.iso, default=None)
        above = min((p for p in self.noise if p.iso >= iso * 2**-_NEAR_STOPS), key=lambda p: p.iso, default=None)
        if below is None or above is None:
            return None
        if below.iso >= above.iso:
            return min((below, above), key=lambda p: abs(math.log2(p.iso / iso)))
        if math.log2(above.iso / below.iso) > 1.1:
            return None  # a second conversion gain may lie between
        share = math.log(iso / below.iso) / math.log(above.iso / below.iso)

        def between(low: float, high: float) -> float:
            return math.exp((1 - share) * math.log(low) + share * math.log(high))

        return PixelNoise(
            iso,
            between(below.gain_e_per_dn, above.gain_e_per_dn),
            between(below.read_noise_e, above.read_noise_e),
        )


class Kits:
    """The kits to choose from, opened once for all frames of a review."""

    def __init__(self, results: Path, kit: str | None = None, limits_file: Path | None = None) -> None:
        """Open `limits_file`, or the kit named, or all kits in `results`.

        Raises UsageError for a kit or file that is not there, LimitsError or ResultsError for a damaged one.
        """
        if kit is not None and limits_file is not None:
            raise UsageError("the limits are given twice", got="--kit and --limits", fix="give one of them")
        self._named = kit is not None or limits_file is not None
        if limits_file is not None:
            if not limits_file.is_file():
                raise UsageError(
                    "there is no such limits file",
                    where=limits_file,
                    needed="the limits.toml of a kit",
                    fix="name the file, or choose a kit with --kit NAME --results DIR",
                )
            self._kits = [_open(limits_file)]
        elif kit is not None:
            folder = chosen_kit(results, kit)
            assert folder is not None  # a named kit is there, or an error was raised
            self._kits = [_open(folder / FILE_NAME)]
        else:
            self._kits = [_open(results / name / FILE_NAME) for name in known_kits(results)]

    def for_body(self, body: str | None) -> Kit:
        """Return the kit of a body ("make model #serial", None unknown); an empty one where none is its own.

        Raises PlanError where the kit was named and belongs to another body.
        """
        own = [kit for kit in self._kits if body is not None and all(_same(body, limit.body) for limit in kit.limits)]
        if len(own) == 1:
            return own[0]
        bodies = sorted({limit.body for kit in self._kits for limit in kit.limits})
        if self._named and body is not None and bodies:
            raise PlanError(
                "the limits belong to another body",
                got=", ".join(bodies),
                needed=body,
                fix="choose the kit of this body, or leave --kit and --limits out",
            )
        if body is None and len(self._kits) == 1:
            kit = self._kits[0]
            return Kit(kit.limits, kit.model, kit.noise, f"{kit.note}; the frame does not name its body")
        if not bodies:
            return Kit(note="no limits were accepted yet: common practice is used")
        why = "the frame does not name its body" if body is None else f"none of them of {body}"
        if len(own) > 1:
            why = "several kits are of this body: choose one with --kit"
        return Kit(note=f"limits are there of {', '.join(bodies)}, but {why}: common practice is used")


def _open(file: Path) -> Kit:
    found = read_limits(file)
    limits, model = found.limits, model_behind(found)
    bodies = sorted({limit.body for limit in limits})
    noise: dict[float, PixelNoise] = {}
    for folder in run_folders(found).folders.values():
        noise |= {point.iso: point for point in _noise_points(folder / "curves.json")}
    whose = f"limits of {', '.join(bodies)}" if bodies else "no limits were accepted yet: common practice is used"
    return Kit(tuple(limits), model, tuple(noise[iso] for iso in sorted(noise)), "; ".join((whose, *model.notes)))


def _noise_points(file: Path) -> list[PixelNoise]:
    """Return gain and read noise of green per exact ISO that a run measured; none where it did not."""
    from kitgauge.runs.files import read_json

    try:
        if not file.is_file():
            return []
    except (OSError, ValueError):  # a name that no file can have
        return []
    noise = read_json(file).get("noise")
    points = noise.get("points") if isinstance(noise, dict) else None
    found = []
    for point in points if isinstance(points, list) else []:
        if not isinstance(point, dict) or point.get("channel") != "G":
            continue
        iso, gain, read = (_positive(point.get(name)) for name in ("iso", "gain_e_per_dn", "read_noise_e"))
        if iso and gain and read:
            found.append(PixelNoise(exact_iso(iso), gain, read))
    return found


def _positive(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1e12:
        return None
    return float(value)


def _same(one: str, other: str) -> bool:
    """Tell whether two names of a body ("model #serial") are one; a name without serial number fits any."""
    (model, _, serial), (other_model, _, other_serial) = (name.casefold().partition(" #") for name in (one, other))
    return model == other_model and (not serial or not other_serial or serial == other_serial)
