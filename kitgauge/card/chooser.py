"""The offline chooser: plans for every light, subject, lens, distance and way of holding, as a table of texts.

`make_plan` decides every cell; the page's script looks cells up and decides nothing. Layout of the table
(`ChooserTable.as_dict`), from the outside in; every list of numbers is a string of `width` signs per number, in base 88
with the signs of SIGNS:

    lines         one pair (answer row, reach row) per hold, lens, subject and light, the light running fastest
    answer_rows   an answer per distance, or one number for a row whose answers are all the same
    reach_rows    the same of reaches (what is sharp and where to focus)
    answers, reaches   places in `texts`, in the order of ANSWER_FIELDS (then any cautions) and REACH_FIELDS
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from kitgauge.card.kit import CardKit, Optic
from kitgauge.card.tables import BASIS_WORDS, reach_text
from kitgauge.errors import PlanError
from kitgauge.exposure import format_f_number, format_shutter, nominal_iso, percent
from kitgauge.planner.choose import Setting
from kitgauge.planner.plan import Plan
from kitgauge.planner.request import TRIPOD
from kitgauge.planner.table import EVERYDAY_LIGHT
from kitgauge.planner.way_out import MOST_FRAMES

ANSWER_FIELDS = ("settings", "short", "binds", "keep", "noise", "way", "basis")  # then the cautions
REACH_FIELDS = ("sharp", "focus")
# that stand for themselves in JSON and in HTML
SIGNS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz!#$%()*+,-./:;=?@[]^_`{|}~"
DISTANCES_M = (0.5, 1.0, 1.5, 2.0, 3.0, 5.0, 10.0, 30.0)
LIGHTS_EV = (*range(16, 1, -1), 0, -3)
START_EV, START_DISTANCE_M = 8, 2.0
# a page of less than 300 kB, made in seconds
_MOST_OPTICS, _MOST_HOLDS, _MOST_SUBJECTS, _MOST_LINES = 6, 3, 2, 1230
_LEAST_ERROR_STOPS = 0.1
_BOUND_WORDS = {
    "hands": "your hands",
    "subject": "the subject's movement",
    "depth": "the depth that must be sharp",
    "sharpness": "the sharp range of the lens",
    "noise": "noise, that is the ISO limit",
}
_WAYS = {
    "support": "on a tripod or other firm support",
    "more-light": "{light:.1f} stops more light",
    "filter": "a neutral-density filter of {filter} stops",
    "burst": "a burst of {frames} frames",
    "long-burst": "a burst of {frames} frames",
    "wider-aperture": "a wider aperture, with less depth",
    "higher-iso": "accept more noise",
    "slower-shutter": "a slower shutter, with fewer frames sharp",
    "focus-stack": "{frames} frames focused one behind the other, merged",
}


@dataclass(frozen=True)
class Scene:
    """A subject as the planner takes it, with how far it reaches behind its nearest point [m]."""

    label: str
    subject: str | float
    depth_m: float = 0.0

    def request(self, nearest_m: float) -> dict[str, Any]:
        """Return fields of PlanRequest for its nearest point at a distance."""
        if self.depth_m == 0:
            return {"subject": self.subject, "distance_m": nearest_m}
        return {"subject": self.subject, "near_m": nearest_m, "far_m": nearest_m + self.depth_m}


_SCENES = (
    Scene("person holding still", "still"),
    Scene("group holding still, 1 m deep", "still", 1.0),
    Scene("moving person", "moving"),
    Scene("birds in flight, sport", "fast"),
    Scene("nothing moves", 0.0),
    Scene("landscape: nothing moves, to the horizon", 0.0, math.inf),
)
Item = TypeVar("Item", bound=Hashable)


class _Numbered(Generic[Item]):
    """Items in the order they first came, each once."""

    def __init__(self) -> None:
        self.items: list[Item] = []
        self._places: dict[Item, int] = {}

    def number(self, item: Item) -> int:
        place = self._places.setdefault(item, len(self.items))
        if place == len(self.items):
            self.items.append(item)
        return place


@dataclass(frozen=True)
class ChooserTable:
    """Labels of the five choices, and the cells as described above."""

    holds: tuple[str, ...]
    optics: tuple[Optic, ...]
    scenes: tuple[Scene, ...]
    lights: tuple[tuple[float, str], ...]
    distances_m: tuple[float, ...]
    texts: tuple[str, ...]
    answers: tuple[tuple[int, ...], ...]
    reaches: tuple[tuple[int, ...], ...]
    answer_rows: tuple[tuple[int, ...], ...]
    reach_rows: tuple[tuple[int, ...], ...]
    lines: tuple[int, ...]
    notes: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return what the page's script reads."""
        most = max(len(self.texts), len(self.answers), len(self.answer_rows), len(self.reach_rows))
        width = 2 if most <= len(SIGNS) ** 2 else 3

        def rows(items: Sequence[tuple[int, ...]]) -> list[str]:
            return [written(row[:1] if len(set(row)) == 1 else row, width) for row in items]

        return {
            "signs": SIGNS,
            "width": width,
            "fields": [list(ANSWER_FIELDS), list(REACH_FIELDS)],
            "sizes": [len(self.holds), len(self.optics), len(self.scenes), len(self.lights), len(self.distances_m)],
            "texts": self.texts,
            "answers": [written(answer, width) for answer in self.answers],
            "reaches": [written(reach, width) for reach in self.reaches],
            "answer_rows": rows(self.answer_rows),
            "reach_rows": rows(self.reach_rows),
            "lines": written(self.lines, width),
        }


def written(numbers: Sequence[int], width: int) -> str:
    """Return numbers from 0 as signs, `width` of them each, the highest place first."""
    base = len(SIGNS)
    return "".join(SIGNS[number // base**place % base] for number in numbers for place in range(width - 1, -1, -1))


def chooser_table(kit: CardKit) -> ChooserTable:
    """Return the table for a kit: every cell is one call of `make_plan`."""
    holds, optics, scenes, notes = _choices(kit)
    texts, answers, reaches = _Numbered[str](), _Numbered[tuple[int, ...]](), _Numbered[tuple[int, ...]]()
    answer_rows, reach_rows = _Numbered[tuple[int, ...]](), _Numbered[tuple[int, ...]]()
    lines: list[int] = []
    for hold in holds:
        for optic in optics:
            for scene in scenes:
                for ev in LIGHTS_EV:
                    cells = [_cell(kit, hold, optic, scene, ev, distance) for distance in DISTANCES_M]
                    row = (answers.number(tuple(map(texts.number, answer))) for answer, _ in cells)
                    lines.append(answer_rows.number(tuple(row)))
                    row = (reaches.number(tuple(map(texts.number, reach))) for _, reach in cells)
                    lines.append(reach_rows.number(tuple(row)))
    everyday = dict(EVERYDAY_LIGHT)
    return ChooserTable(
        holds=tuple(hold or "handheld" for hold in holds),
        optics=optics,
        scenes=scenes,
        lights=tuple((float(ev), everyday.get(ev, "")) for ev in LIGHTS_EV),
        distances_m=DISTANCES_M,
        texts=tuple(texts.items),
        answers=tuple(answers.items),
        reaches=tuple(reaches.items),
        answer_rows=tuple(answer_rows.items),
        reach_rows=tuple(reach_rows.items),
        lines=tuple(lines),
        notes=notes,
    )


def _choices(
    kit: CardKit,
) -> tuple[tuple[str | None, ...], tuple[Optic, ...], tuple[Scene, ...], tuple[str, ...]]:
    """Return ways of holding, lenses and subjects of the chooser, and what it leaves out to stay small."""
    notes = []
    holds = kit.techniques[: _MOST_HOLDS - 1]
    if len(holds) < len(kit.techniques):
        left = ", ".join(str(name) for name in kit.techniques[len(holds) :])
        notes.append(f"Ways of holding that the chooser leaves out: {left}.")
    if TRIPOD not in (str(name).casefold() for name in holds):
        holds = (*holds, TRIPOD)
    subjects = kit.measured_subjects
    if len(subjects) > _MOST_SUBJECTS:
        notes.append(f"Measured subjects that the chooser leaves out: {', '.join(subjects[_MOST_SUBJECTS:])}.")
    scenes = (*_SCENES, *(Scene(f"{name} (measured)", name) for name in subjects[:_MOST_SUBJECTS]))
    optics = _thinned(kit.optics, min(_MOST_OPTICS, _MOST_LINES // (len(holds) * len(scenes) * len(LIGHTS_EV))))
    if len(optics) < len(kit.optics):
        notes.append(f"The chooser holds {len(optics)} of {len(kit.optics)} lenses; --focal and --lens choose others.")
    return holds, optics, scenes, tuple(notes)


def _thinned(optics: Sequence[Optic], most: int) -> tuple[Optic, ...]:
    """Return at most so many of the lenses: the measured ones first, then spread over the rest."""
    if len(optics) <= most:
        return tuple(optics)
    ranked = [optic for optic in optics if optic.lens] + [optic for optic in optics if not optic.lens]
    measured = sum(optic.lens is not None for optic in optics)
    if measured >= most:
        kept = {ranked[round(k * (measured - 1) / (most - 1))] for k in range(most)}
    else:
        kept = set(ranked[:most])
    return tuple(optic for optic in optics if optic in kept)


def _cell(
    kit: CardKit, hold: str | None, optic: Optic, scene: Scene, ev: float, distance_m: float
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the texts of one cell: ANSWER_FIELDS and REACH_FIELDS."""
    try:
        plan = kit.plan(optic, ev100=float(ev), technique=hold, **scene.request(distance_m))
    except PlanError as error:  # nearer than the focal length
        return (*("" for _ in ANSWER_FIELDS), f"{error.what}: {error.got}"), ("", "")
    return answer_texts(plan), reach_texts(plan)


def answer_texts(plan: Plan) -> tuple[str, ...]:
    """Return what the chooser says of a plan: ANSWER_FIELDS, then the cautions."""
    return (
        settings_text(plan.setting),
        _short(plan),
        _binds(plan),
        _keep(plan),
        "not measured" if plan.predicted.snr is None else f"SNR {plan.predicted.snr:.1f} at mid-grey",
        _way(plan),
        _basis(plan),
        *plan.cautions,
    )


def reach_texts(plan: Plan) -> tuple[str, ...]:
    """Return what is sharp and where to focus, in the order of REACH_FIELDS."""
    focus = plan.optics.focus_m
    return reach_text(plan.predicted.near_m, plan.predicted.far_m), "" if focus is None else f"{focus:.3g} m"


def _short(plan: Plan) -> str:
    """Return what is missing; of exposure, depth and freezing the plan's cautions tell more."""
    choice = plan.choice
    if choice.shortfall_stops > 0:
        return f"{choice.shortfall_stops:.1f} stops of light to keep every limit"
    if choice.underexposed_stops > 0 or choice.overexposed_stops > 0:
        return "exposure: see below"
    if choice.depth_shortfall_stops >= _LEAST_ERROR_STOPS:
        return "depth: see below"
    if not choice.frozen:
        return "a faster shutter: see below"
    if abs(plan.exposure_error_stops) >= _LEAST_ERROR_STOPS:
        side = "brighter" if plan.exposure_error_stops > 0 else "darker"
        return f"nothing (the dials expose {abs(plan.exposure_error_stops):.1f} stops {side})"
    return "nothing"


def _binds(plan: Plan) -> str:
    if plan.binds is None:
        return "no bound is tighter than another"
    words = _BOUND_WORDS[plan.binds]
    if plan.binds == "noise":
        return words
    if plan.choice.faster or plan.choice.closed:
        return f"light to spare for every limit; the narrowest is {words}"
    return f"{words}; without it {plan.binds_stops[plan.binds]:.1f} stops of light to spare"


def _keep(plan: Plan) -> str:
    rate, interval = plan.predicted.keep_rate, plan.predicted.keep_rate_interval
    if rate is None:
        return "not measured"
    said = percent(rate)
    if interval is not None and percent(interval[0]) != percent(interval[1]):
        said += f" ({percent(interval[0])} to {percent(interval[1])})"
    frames = plan.burst_frames
    if frames is not None and frames > 1:
        sure = f"one sharp with {percent(plan.request.confidence)} confidence"
        said += f"; {frames} frames for {sure}" if frames <= MOST_FRAMES else f"; not even {MOST_FRAMES} hold {sure}"
    return said


def _way(plan: Plan) -> str:
    """Return the best way out; what repeats from cell to cell is said shorter than the plan says it."""
    if not plan.alternatives:
        return ""
    best = plan.alternatives[0]
    if best.kind not in _WAYS:
        return f"{settings_text(best.setting)}: {best.price}"
    words = _WAYS[best.kind].format(
        frames=best.frames, light=plan.choice.shortfall_stops, filter=best.price_numbers.get("filter_stops")
    )
    rest = f" ({best.remaining_stops:.1f} stops still missing)" if best.remaining_stops > _LEAST_ERROR_STOPS else ""
    settings = settings_text(best.setting)
    return words + rest if settings == settings_text(plan.setting) else f"{words}: {settings}{rest}"


def settings_text(setting: Setting) -> str:
    """Return '1/50 s, f/4.5, ISO 3200'."""
    return (
        f"{format_shutter(setting.shutter_s)}, {format_f_number(setting.f_number)}, ISO {nominal_iso(setting.iso):.0f}"
    )


def _basis(plan: Plan) -> str:
    names = ("hands", "subject", "sharpness", "noise")
    return "; ".join(f"{name}: {BASIS_WORDS[plan.basis[name].basis]}" for name in names)
