"""What to shoot, for a person: on the terminal, and as a page to print or keep open on a phone.

Texts of protocol files reach the terminal as plain text (never as markup) and the page escaped.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

from rich import box
from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from kitgauge.exposure import format_f_number, format_shutter, nominal_iso
from kitgauge.html_page import html_page
from kitgauge.protocol.loading import LoadedProtocol
from kitgauge.protocol.marked import format_setting
from kitgauge.protocol.model import ROLE_TEXTS, Protocol, Step
from kitgauge.protocol.shot_list import LIGHT_WORDS, SETTINGS, Shot, ShotList, shot_list

_MEASURES_TEXTS = {
    "noise": "noise against ISO",
    "dark-current": "dark current and hot pixels against exposure time",
    "sharpness": "sharpness against f-number",
    "blur": "blur against shutter speed",
    "practice": "practice, nothing is concluded",
}
_SETTING_TEXTS = {"iso": "ISO", "shutter_s": "shutter speed", "f_number": "f-number"}
_MOST_BOXES = 20  # tick boxes per shot on the page; more frames get one box for all


def minutes_text(minutes: float) -> str:
    """Return a duration rounded up, as a person would plan it: "about 35 min", "about 1 h 20 min"."""
    rounded = max(5, math.ceil(minutes / 5) * 5)
    hours, rest = divmod(rounded, 60)
    if hours == 0:
        return f"about {rest} min"
    return f"about {hours} h {rest} min" if rest else f"about {hours} h"


def range_text(shots: ShotList) -> str:
    """Return the camera's range in words: "ISO 100 to 25600, f/2.8 to f/22, 1/8000 s to 30 s, 50 mm"."""
    camera = shots.camera
    parts = [
        f"ISO {nominal_iso(camera.iso_min):.0f} to {nominal_iso(camera.iso_max):.0f}",
        f"{format_f_number(camera.f_min)} to {format_f_number(camera.f_max)}",
        f"{format_shutter(camera.shutter_fastest_s)} to {format_shutter(camera.shutter_slowest_s)}",
    ]
    if camera.focal_mm is not None:
        parts.append(f"{camera.focal_mm:g} mm")
    return ", ".join(parts)


def _steps_with_shots(shots: ShotList) -> list[tuple[Step, list[Shot]]]:
    everything = (*shots.shots, *shots.optional_shots)
    return [(step, [shot for shot in everything if shot.step_name == step.label]) for step in shots.protocol.step]


# Terminal


def brief_text(shots: ShotList, run_as: str | None = None) -> RenderableType:
    """Return the shot list for `rich.console.Console.print`: coloured on a terminal, plain text in a pipe."""
    protocol = shots.protocol
    parts: list[RenderableType] = [Text(protocol.title, style="bold"), Text(protocol.purpose), Text()]
    parts += _section("Cautions", _bullets(protocol.cautions, "!"))
    parts += _section("In short", [_facts(shots)])
    parts += _section("Set-up", _bullets(protocol.setup))
    for number, (step, own) in enumerate(_steps_with_shots(shots), start=1):
        optional = ", optional" if step.optional else ""
        parts += _section(f"Step {number}{optional}: {step.label} ({ROLE_TEXTS[step.role]})", _step_parts(step, own))
    parts += _section("Before you look at the results", _bullets(protocol.questions, "?"))
    parts += _section("Then", _bullets(next_steps(shots, run_as)))
    return Group(*parts)


def next_steps(shots: ShotList, run_as: str | None = None) -> list[str]:
    """Return what to do with the frames; `run_as` is the protocol's name for the command, default its id."""
    held = any(step.role == "handheld" for step in shots.protocol.step)
    technique = " --technique standing" if held and shots.protocol.measures == "blur" else ""
    command = f"kitgauge run {run_as or shots.protocol.id} FOLDER{technique}"
    said = " (or however you held the camera, in your own words)" if technique else ""
    return ["Copy the frames into a folder of their own, and nothing else.", f"{command}{said}"]


def _section(title: str, content: Sequence[RenderableType]) -> list[RenderableType]:
    return [Text(title, style="bold"), *content, Text()] if content else []


def _bullets(lines: Iterable[str], sign: str = "-") -> list[RenderableType]:
    rows = list(lines)
    if not rows:
        return []
    table = Table.grid(padding=(0, 1))
    table.add_column(width=1)
    table.add_column(overflow="fold")
    for line in rows:
        table.add_row(Text(sign), Text(line))
    return [Padding(table, (0, 0, 0, 2))]


def _fact_rows(shots: ShotList) -> list[tuple[str, str]]:
    rows = [
        ("Frames", f"{shots.frames} in {len(shots.shots)} shots"),
        ("Time", minutes_text(shots.minutes)),
        *_optional_rows(shots),
        ("Worked out for", range_text(shots)),
    ]
    if shots.protocol.target is not None:
        rows.append(("Target", shots.protocol.target.text))
    if shots.distance is not None and shots.distance.sheets is not None:
        rows.append(("Print", shots.distance.sheets.text))
    if shots.distance_text:
        rows.append(("Distance", shots.distance_text))
    if shots.light_text:
        rows.append(("Light", shots.light_text))
    return rows + [("Note", remark) for remark in shots.remarks]


def _optional_rows(shots: ShotList) -> list[tuple[str, str]]:
    if not shots.optional_shots:
        return []
    count = len(shots.optional_shots)
    return [
        (
            "Optional",
            f"{shots.optional_frames} more frames in {count} {'shots' if count > 1 else 'shot'}, "
            f"{minutes_text(shots.optional_minutes)} more",
        )
    ]


def _note(step: Step, shot: Shot) -> str:
    """Return a shot's note; "optional" where not already its whole step is."""
    return "; ".join(part for part in ("optional" if shot.optional and not step.optional else "", shot.note) if part)


def _facts(shots: ShotList) -> RenderableType:
    table = Table.grid(padding=(0, 2))
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for name, value in _fact_rows(shots):
        table.add_row(Text(name), Text(value))
    return Padding(table, (0, 0, 0, 2))


def _step_parts(step: Step, shots: Sequence[Shot]) -> list[RenderableType]:
    parts = _bullets(([f"Picture: {step.picture}"] if step.picture else []) + list(step.how))
    with_notes = any(_note(step, shot) for shot in shots)
    table = Table(box=box.SIMPLE, padding=(0, 1), header_style="bold")
    for heading in ("No.", "Shot", "Frames", "ISO", "Shutter", "Aperture"):
        table.add_column(heading, justify="right" if heading in ("No.", "Frames") else "left")
    if with_notes:
        table.add_column("Note", overflow="fold")
    for shot in shots:
        cells = [str(shot.number), shot.step, str(shot.frames), *_setting_cells(shot)]
        table.add_row(*(Text(cell) for cell in (*cells, _note(step, shot))[: 7 if with_notes else 6]))
    parts.append(table)
    if step.good_signs:
        parts += [Padding(Text("It went well if"), (0, 0, 0, 2)), *_bullets(step.good_signs)]
    return parts


def _setting_cells(shot: Shot) -> list[str]:
    return [
        shot.setting_text("iso").replace("ISO ", "") or "any",
        shot.setting_text("shutter_s") or "any",
        shot.setting_text("f_number") or "any",
    ]


# Page


def brief_html(shots: ShotList, loaded: LoadedProtocol | None = None, run_as: str | None = None) -> str:
    """Return the shot list as one self-contained HTML page with tick boxes, for A4 and screens from 400 px.

    `loaded`, where given, puts the file's hash into the foot of the page.
    """
    return html_page(
        "templates/brief.html.j2",
        "kitgauge.protocol",
        protocol=shots.protocol,
        facts=_fact_rows(shots),
        steps=[_page_step(step, own) for step, own in _steps_with_shots(shots)],
        sha256="" if loaded is None else loaded.sha256,
        then=next_steps(shots, run_as),
    )


def _page_step(step: Step, shots: Sequence[Shot]) -> dict[str, Any]:
    rows = [
        {
            "number": shot.number,
            "label": shot.step,
            "settings": [
                {"text": text, "leads": setting in shot.match_by}
                for setting, text in zip(SETTINGS, _setting_cells(shot), strict=True)
            ],
            "boxes": shot.frames if shot.frames <= _MOST_BOXES else 1,
            "frames": shot.frames,
            "note": _note(step, shot),
        }
        for shot in shots
    ]
    return {"step": step, "role_text": ROLE_TEXTS[step.role], "shots": rows}


# Lists and summaries


def protocol_rows(protocols: Iterable[LoadedProtocol]) -> list[tuple[str, str, str, str]]:
    """Return one row per protocol: id, title, number of frames and time needed on a common camera."""
    rows = []
    for loaded in protocols:
        shots = shot_list(loaded.protocol)
        rows.append((loaded.protocol.id, loaded.protocol.title, str(shots.frames), minutes_text(shots.minutes)))
    return rows


def protocols_table(protocols: Iterable[LoadedProtocol]) -> RenderableType:
    """Return the list of protocols for `rich.console.Console.print`."""
    table = Table(box=box.SIMPLE, padding=(0, 1), header_style="bold")
    table.add_column("Protocol", no_wrap=True)
    table.add_column("What it is")
    table.add_column("Frames", justify="right")
    table.add_column("Time", no_wrap=True)
    for row in protocol_rows(protocols):
        table.add_row(*(Text(cell) for cell in row))
    return table


def protocol_summary(loaded: LoadedProtocol) -> RenderableType:
    """Return what a protocol says, without any camera: purpose, sweep, steps, cautions, and its file."""
    protocol = loaded.protocol
    facts = Table.grid(padding=(0, 2))
    facts.add_column(no_wrap=True)
    facts.add_column(overflow="fold")
    for name, value in (
        ("Id", protocol.id),
        ("Measures", _MEASURES_TEXTS[protocol.measures]),
        ("Sweep", sweep_text(protocol)),
        ("File", str(loaded.source)),
        ("SHA-256", loaded.sha256),
    ):
        facts.add_row(Text(name), Text(value))
    steps = Table(box=box.SIMPLE, padding=(0, 1), header_style="bold")
    for heading in ("Step", "Role", "Frames", "Exposure"):
        steps.add_column(heading)
    for step in protocol.step:
        steps.add_row(Text(step.label), Text(step.role), Text(_count_text(step)), Text(exposure_text(step)))
    return Group(
        Text(protocol.title, style="bold"),
        Text(protocol.purpose),
        Text(),
        Padding(facts, (0, 0, 0, 2)),
        steps,
        *_section("Cautions", _bullets(protocol.cautions, "!")),
    )


def _count_text(step: Step) -> str:
    optional = ", optional" if step.optional else ""
    if step.at == "once":
        return f"{step.frames}, once{optional}"
    if step.at == "each-value":
        return f"{step.frames} per value{optional}"
    return f"{step.frames} at the {', '.join(step.at)} value{optional}"


def sweep_text(protocol: Protocol) -> str:
    """Return the sweep in words: "ISO in full stops over the camera's range"."""
    sweep = protocol.sweep
    if sweep is None:
        return "none: the photographer chooses all settings"
    name = _SETTING_TEXTS[sweep.setting]
    if isinstance(sweep.values, tuple):
        text = f"{name}: " + ", ".join(format_setting(sweep.setting, value) for value in sorted(sweep.values))
        more = sorted(sweep.optional_values) if sweep.setting == "shutter_s" else []
        also = ", ".join(format_setting(sweep.setting, value) for value in more)
        return f"{text}; optional: {also}" if also else text
    text = f"{name} in {sweep.values.replace('-', ' ')}"
    if sweep.setting == "shutter_s" and sweep.around is not None:
        return (
            f"{text}, from {sweep.faster_stops:g} stops faster to {sweep.slower_stops:g} stops slower than "
            "1/focal length (35 mm terms)"
        )
    low, high = sweep.lowest, sweep.highest
    if low is None and high is None:
        return f"{text} over the camera's range"
    ends = [f"from {format_setting(sweep.setting, low)}"] if low is not None else []
    ends += [f"to {format_setting(sweep.setting, high)}"] if high is not None else []
    return f"{text}, {' '.join(ends)}"


def exposure_text(step: Step) -> str:
    """Return a step's exposure rules in words."""
    exposure = step.exposure
    words = {"base": "lowest ISO", "fastest": "fastest shutter", "widest": "widest aperture"}
    parts = []
    for setting in SETTINGS:
        rule: float | str | None = getattr(exposure, setting)
        if isinstance(rule, str):
            parts.append(words.get(rule, f"{_SETTING_TEXTS[setting]} metered"))
        elif rule is not None:
            parts.append(format_setting(setting, rule))
    if exposure.balanced_by == "light":
        parts.append("the light is changed to match")
    elif exposure.balanced_by is not None:
        parts.append(f"{_SETTING_TEXTS[exposure.balanced_by]} follows")
    if exposure.saturation is not None:
        low, high = exposure.saturation
        parts.append("clipped on purpose" if low >= 1 else f"level {low:.0%} to {high:.0%} of saturation")
    if step.light is not None:
        parts.append(LIGHT_WORDS[step.light])
    if exposure.lens_cap:
        parts.append("lens cap on")
    return ", ".join(parts)
