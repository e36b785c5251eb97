"""The tables of a card: every number comes from the planner or the accepted limits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from kitgauge.card.kit import CardKit, Optic
from kitgauge.errors import PlanError
from kitgauge.exposure import (
    dial_f_number,
    dial_iso,
    dial_shutter,
    exact_f_number,
    format_exact_f_number,
    format_f_number,
    format_shutter,
    nominal_iso,
    percent,
)
from kitgauge.limits.entries import AcceptedLimit
from kitgauge.planner.basis import GIVEN, MEASURED, PRACTICE, SCALED, Basis
from kitgauge.planner.plan import Plan
from kitgauge.planner.request import PlanRequest
from kitgauge.planner.table import SUBJECT_WORDS, TableCell, plan_table

# Signs that need no colour, with their words
SIGNS: dict[Basis, str] = {MEASURED: "●", SCALED: "◐", PRACTICE: "○", GIVEN: ""}
BASIS_WORDS: dict[Basis, str] = {
    MEASURED: "measured",
    SCALED: "scaled from a measurement",
    PRACTICE: "common practice",
    GIVEN: "as asked",
}
# Megapixels of pictures as they are used: 1920 x 1080; A4 and A3 at 300 dots per inch, 2480 x 3508 and 3508 x 4961
_USES = ((2.0, "full-HD screen"), (8.0, "4K screen, A4 print"), (17.0, "A3 print"))
_DEPTH_M = (0.3, 0.5, 1.0, 1.5, 2.0, 3.0, 5.0, 10.0, 20.0, 50.0, 100.0)
_FARTHEST_TOLD_M = 1000.0
_LEAST_SHORT_STOPS = 0.05
NOT_SHARP, TIE, MINUS = "–", "\N{NO-BREAK SPACE}", "\N{MINUS SIGN}"
_DEPTH_ROWS, _DEPTH_COLUMNS = 6, 4
_NEAREST_FOCALS = 10.0  # a lens seldom focuses nearer than ten focal lengths (common practice)
_FULL_STOPS = (1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0)
_CARD_SUBJECTS = ("still", "moving", "fast")


@dataclass(frozen=True)
class Cell:
    """One value, and where it comes from (None: nowhere in particular)."""

    text: str
    basis: Basis | None = None

    @property
    def sign(self) -> str:
        """The sign of the basis."""
        return SIGNS[self.basis] if self.basis else ""

    @property
    def marked(self) -> str:
        """The text with the sign."""
        return f"{self.text} {self.sign}".strip()


@dataclass(frozen=True)
class Table:
    """A title, heads of the columns, rows of as many cells, and what to know about them."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    notes: tuple[str, ...] = ()


def shutter_table(kit: CardKit) -> Table:
    """Return the slowest shutter on the dial per focal length and way of holding."""
    focals = sorted({optic.focal_mm for optic in kit.optics})
    plans = {(focal, how): _hands_plan(kit, focal, how) for focal in focals for how in kit.techniques}
    rows = tuple(
        (Cell(f"{focal:g} mm"), *(_hands_cell(plans[focal, how]) for how in kit.techniques)) for focal in focals
    )
    keeps = sorted({plan.inputs.motion.keep for plan in plans.values() if plan.inputs.hands.basis != PRACTICE})
    notes = [f"At this speed or faster {' or '.join(percent(keep) for keep in keeps)} of frames are sharp."]
    if not keeps:
        notes = ["1/(focal length in 35 mm terms): nobody's hands in particular."]
    heads = ("Focal length", *(how or "handheld" for how in kit.techniques))
    return Table("Slowest shutter, handheld", heads, rows, tuple(notes))


def _hands_plan(kit: CardKit, focal_mm: float, how: str | None) -> Plan:
    return kit.plan(Optic(None, focal_mm), technique=how, subject=0.0)


def _hands_cell(plan: Plan) -> Cell:
    cap = plan.inputs.motion.hands_cap_s
    if math.isinf(cap):
        return Cell("any")
    return Cell(format_shutter(dial_shutter(cap)), plan.inputs.hands.basis)


def sharp_table(kit: CardKit) -> Table:
    """Return the sharp f-numbers per lens and place: as measured, else as the planner takes them."""
    lenses = {optic.lens for optic in kit.optics if optic.lens}
    rows = [
        (Cell(_lens_label(item)), Cell(_place(item)), Cell(_range(item), MEASURED))
        for item in kit.limits
        if item.limit.kind == "f_number" and (item.limit.lens is None or item.limit.lens in lenses)
    ]
    others = []
    for optic in kit.optics:
        sharp = kit.plan(optic, subject=0.0).inputs.sharp
        text = f"{format_f_number(dial_f_number(sharp.low, up=True))} to "
        text += format_f_number(dial_f_number(sharp.high, up=False))
        if sharp.because.basis == SCALED:
            rows.append((Cell(optic.label), Cell("between measured focal lengths"), Cell(text, SCALED)))
        elif sharp.because.basis == PRACTICE:
            others.append((optic, text))
    if others:
        what = "any other lens" if rows else "any lens"
        rows.append((Cell(what), Cell("not measured"), Cell(others[0][1], PRACTICE)))
    notes = ("The lowest of a range gives the least noise, the highest the most depth.",)
    return Table("Sharp f-numbers", ("Lens", "Where", "f-numbers"), tuple(rows), notes)


def _lens_label(item: AcceptedLimit) -> str:
    return Optic(item.limit.lens, item.limit.focal_mm).label if item.limit.focal_mm else item.limit.lens or "this lens"


def _place(item: AcceptedLimit) -> str:
    criterion = item.limit.criterion
    where = item.limit.region or "whole frame"
    if "picture_mtf" in criterion:
        where += f", detail of {criterion.get('output_mp', math.nan):.3g}{TIE}MP"
    elif "mtf50_fraction" in criterion:
        where += f", {_tied(percent(criterion['mtf50_fraction']))} of the best"
    return where + (", developed pictures" if "rendered" in item.limit.flags else "")


def _range(item: AcceptedLimit) -> str:
    low, high = item.limit.value["f_number_low"], item.limit.value["f_number_high"]
    low_dial, high_dial = dial_f_number(low, up=True), dial_f_number(high, up=False)
    if low_dial > high_dial:  # narrower than a step of the dial
        return f"{format_exact_f_number(low)} to {format_exact_f_number(high)}"
    return f"{format_f_number(low_dial)} to {format_f_number(high_dial)}"


def iso_table(kit: CardKit) -> Table:
    """Return the highest ISO on the dial per size of picture."""
    optic = kit.optics[0]
    isos = [item for item in kit.limits if item.limit.kind == "iso"]
    if not isos:
        bound = kit.plan(optic, subject=0.0).inputs.noise
        rows = ((Cell("any"), Cell(f"ISO {nominal_iso(bound.iso_limit):.0f}", bound.because.basis)),)
        return Table("Highest ISO", ("Picture", "ISO"), rows, ("This body's noise was not measured.",))
    sensor_mp = (kit.model.sensor_pixels or math.inf) / 1e6
    own = {item.limit.criterion["output_mp"]: "" for item in isos if "output_mp" in item.limit.criterion}
    sizes = {**own, **{size: use for size, use in _USES if size <= sensor_mp}}
    rows_found = []
    for size in sorted(sizes):
        noise = kit.plan(optic, subject=0.0, output_mp=size).inputs.noise
        text = f"ISO {nominal_iso(dial_iso(noise.iso_limit)):.0f}"
        at_least = any(
            item.limit.extra.get("at_least") and math.isclose(item.limit.value["iso"], noise.iso_limit) for item in isos
        )
        label = f"{size:.3g} MP" + (f": {sizes[size]}" if sizes[size] else "")
        rows_found.append((Cell(label), Cell(text + (" or more" if at_least else ""), noise.because.basis)))
    snr = kit.plan(optic, subject=0.0).inputs.noise.wanted_snr
    note = f"SNR {snr:g} or more at mid-grey in the finished picture."
    return Table("Highest ISO", ("Picture", "ISO"), tuple(rows_found), (note,))


def depth_tables(kit: CardKit) -> tuple[Table, ...]:
    """Return the nearest and farthest sharp distance per lens, distance and f-number."""
    return tuple(_depth_table(kit, optic) for optic in kit.main_optics)


def _depth_table(kit: CardKit, optic: Optic) -> Table:
    nearest = _NEAREST_FOCALS * optic.focal_mm / 1000
    distances = [value for value in _DEPTH_M if value >= nearest][:_DEPTH_ROWS] or [2 * nearest, 5 * nearest]
    first = kit.plan(optic, subject=0.0, distance_m=distances[0])
    numbers = _columns(first, kit)
    rows = []
    for distance in distances:
        optics = kit.plan(optic, subject=0.0, distance_m=distance).optics
        reach = (reach_text(*optics.near_and_far(exact_f_number(number)), unit=False) for number in numbers)
        rows.append((Cell(f"{distance:g} m"), *(Cell(text) for text in reach)))
    basis = first.basis["depth"].basis
    note = f"{SIGNS[basis]} {'with the measured sharpness' if basis == MEASURED else 'an ideal lens is assumed'}"
    if any(cell.text == NOT_SHARP for row in rows for cell in row):
        note += f"; {NOT_SHARP}: softer than the picture wants even in focus"
    heads = ("Focus at", *(format_f_number(number) for number in numbers))
    return Table(f"{optic.label}: sharp from–to, m", heads, tuple(rows), (note,))


def _columns(plan: Plan, kit: CardKit) -> list[float]:
    """Return marked f-numbers: the ends of the sharp range, full stops between; before them the lens wide open."""
    low, high = dial_f_number(plan.inputs.sharp.low, up=True), dial_f_number(plan.inputs.sharp.high, up=False)
    low, high = min(low, high), max(low, high)
    between = [number for number in _FULL_STOPS if low * 1.1 < number < high / 1.1]
    numbers = [low, *between, high] if high > low else [low]
    open_ = kit.model.f_numbers(plan.inputs.sharp.lens, plan.optics.focal_mm)[:1]
    most = _DEPTH_COLUMNS - (1 if open_ and open_[0] < low / 1.1 else 0)
    if len(numbers) > most:
        numbers = [numbers[round(k * (len(numbers) - 1) / (most - 1))] for k in range(most)]
    return [*open_, *numbers] if most < _DEPTH_COLUMNS else numbers


def reach_text(near_m: float | None, far_m: float | None, *, unit: bool = True) -> str:
    """Return 'from, to' of what is sharp; a dash where not even the point of focus is."""
    if near_m is None or far_m is None:
        return "no distance given" if unit else NOT_SHARP
    if near_m == far_m:
        return "not quite sharp at any distance" if unit else NOT_SHARP
    near, far = _metres(near_m), _metres(far_m)
    if near == far:
        near, far = f"{near_m:.3f}", f"{far_m:.3f}"
    tail = "" if math.isinf(far_m) else f"{TIE}m"
    return f"{near}{TIE}to{TIE}{far}{tail}" if unit else f"{near}–{far}"


def _metres(value: float) -> str:
    if value >= _FARTHEST_TOLD_M:
        return "∞" if math.isinf(value) else f">{_FARTHEST_TOLD_M:.0f}"
    return f"{value:.2f}" if value < 10 else f"{value:.1f}" if value < 100 else f"{value:.0f}"


def light_table(kit: CardKit, optic: Optic) -> Table:
    """Return everyday light with the planner's settings for three subjects, held as in the first technique."""
    request = PlanRequest(lens=optic.lens, focal_mm=optic.focal_mm, technique=kit.techniques[0])
    table = plan_table(kit.limits, kit.camera(optic), kit.model, request, subjects=_CARD_SUBJECTS)
    rows = tuple(
        (Cell(f"{ev:g}: {scene}"), *(Cell(_short_settings(cell)) for cell in cells))
        for (ev, scene), cells in zip(table.lights, table.rows, strict=True)
    )
    notes = [
        f"Settings at {optic.label}, {kit.techniques[0] or 'handheld'}. EV at ISO 100 of the scenes: {SIGNS[PRACTICE]} "
        "common practice; a meter knows better.",
    ]
    if any(cell.short_stops >= _LEAST_SHORT_STOPS for cells in table.rows for cell in cells):
        notes.append(f"{MINUS}1.0: so many stops are missing to keep every limit.")
    heads = ("EV, light", *(SUBJECT_WORDS[name] for name in _CARD_SUBJECTS))
    return Table("Light, and settings for it", heads, rows, tuple(notes))


def _short_settings(cell: TableCell) -> str:
    """Return '1/60 f/4 ISO 800', and behind it what is short [stops]; lines may break before ISO and that only."""
    setting = cell.plan.setting
    time = format_shutter(setting.shutter_s)
    head = f"{time.removesuffix(' s') if time.startswith('1/') else time} {format_f_number(setting.f_number)}"
    said = f"{_tied(head)} ISO{TIE}{nominal_iso(setting.iso):.0f}"
    return f"{said} {MINUS}{cell.short_stops:.1f}" if cell.short_stops >= _LEAST_SHORT_STOPS else said


def _tied(text: str) -> str:
    return text.replace(" ", TIE)


def main_optic(optics: Sequence[Optic]) -> Optic:
    """Return the lens that the light table is for: the first measured one, else the one in the middle."""
    if not optics:
        raise PlanError("a card needs a focal length", fix="give --focal")
    return next((optic for optic in optics if optic.lens), optics[(len(optics) - 1) // 2])
