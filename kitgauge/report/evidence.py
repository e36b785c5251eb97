"""The tables behind the page: measured points, fitted parameters, frames. Plain rows of text, for HTML and
terminal.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from kitgauge.report import wording
from kitgauge.report.data import FrameRow, RunData, number, records, text, texts

_PADDING_REM, _LETTER_REM = 1.2, 0.47
_HASH_LETTERS = 8
_MOST_FRAMES = 2000  # on the page; browsers get slow
_LEAST_CELL_REM, _LEAST_FIRST_REM, _LEAST_LAST_REM = 4.0, 7.0, 11.0


@dataclass(frozen=True)
class Table:
    """A table of text. `left` holds the indices of columns set flush left; the others hold numbers.

    `details` is shown on demand only, and so are the rows of a `folded` table.
    """

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    left: frozenset[int] = field(default_factory=lambda: frozenset({0}))
    note: str = ""
    details: tuple[str, ...] = ()
    folded: bool = False

    @property
    def least_width_rem(self) -> int:
        """The least width of the table on the page [rem], a rough guess: on a narrower page it has to be scrolled.

        Numbers keep to one line, texts may break between words. Widths of letters and cells as in `page.css`.
        """
        last = len(self.columns) - 1
        total = 0.0
        for index, (heading, *cells) in enumerate(zip(self.columns, *self.rows, strict=True)):
            least = _LEAST_FIRST_REM if index == 0 else _LEAST_LAST_REM if index == last else _LEAST_CELL_REM
            broken = index in self.left
            pieces = [word for cell in cells for word in (cell.split() if broken else (cell,))]
            longest = max((len(piece) for piece in (*heading.split(), *pieces)), default=0)
            total += max(least if broken else _LEAST_CELL_REM, _PADDING_REM + _LETTER_REM * longest)
        return math.ceil(total)


def practice_table(practice: Mapping[str, Any], *, folded: bool = False) -> Table | None:
    """Return the frames of a practice series side by side: settings, and how each is exposed; None without
    any. Folded away where the page shows pictures of them.
    """
    frames = records(practice.get("frames"))
    if not frames:
        return None
    shared = shared_flags(frames)
    blurred = any(f.get("relative_to") for f in frames)
    rows = tuple(
        (
            text(f.get("file")), text(f.get("step")) or "–", wording.iso(number(f.get("iso"))),
            wording.shutter(number(f.get("shutter_s"))), wording.f_number(number(f.get("f_number"))),
            decimals_cell(f, "settings_ev100", 1), decimals_cell(f, "level_stops_below_saturation", 1),
            _percent(f, "clipped_share"), _percent(f, "near_black_share"),
            *((_relative(f),) if blurred else ()), flags_cell(f, shared),
        )
        for f in frames
    )  # fmt: skip
    columns = (
        "frame", "step", "ISO", "shutter", "f-number", "EV", "level, stops", "clipped", "near black",
        *(("blur, px",) if blurred else ()), "flags",
    )  # fmt: skip
    note = "EV: of the settings, at ISO 100. Level: the median, in stops below saturation."
    if blurred:
        note += (
            " Blur: streak of the still parts against the sharpest frame of the series, from the scene itself; "
            "relative, and with a larger error than from a target."
        )
    left = frozenset({0, 1, len(columns) - 1})
    title = "How each frame is exposed" if folded else "The frames side by side"
    return Table(title, columns, rows, left, note + flag_note(shared), folded=folded)


def _relative(row: Mapping[str, Any]) -> str:
    """Return a frame's streak against the sharpest frame of its series."""
    if text(row.get("relative_to")) and row.get("relative_to") == row.get("file"):
        return "sharpest"
    bound = number(row.get("relative_bound_px"))
    if row.get("relative_censored") in ("below", "above") and math.isfinite(bound):
        return f"{'under' if row['relative_censored'] == 'below' else 'over'} {bound:.1f}"
    return wording.with_error(number(row.get("relative_streak_px")), number(row.get("relative_streak_px_stderr")))


def _percent(row: Mapping[str, Any], key: str) -> str:
    value = number(row.get(key))
    return f"{100 * value:.1f} %" if math.isfinite(value) else wording.UNKNOWN


def blur_table(blur: Mapping[str, Any]) -> Table | None:
    """Return the blur of every frame, None without any."""
    frames = records(blur.get("frames"))
    if not frames:
        return None
    shared = shared_flags(frames)
    rows = tuple(
        (
            text(f.get("file")), text(f.get("role")) or "–", wording.shutter(number(f.get("shutter_s"))), _streak(f),
            wording.plain(number(f.get("streak_um")), 3), wording.plain(number(f.get("streak_mrad")), 3),
            wording.plain(number(f.get("direction_deg")), 3), flags_cell(f, shared),
        )
        for f in sorted(frames, key=lambda f: f.get("role") == "tripod")  # what was measured first, its reference last
    )  # fmt: skip
    columns = (
        "frame", "role", "shutter", "streak, px", "streak, µm", "streak, mrad", "direction, degrees", "flags",
    )  # fmt: skip
    note = f"± is one standard error.{flag_note(shared)}"
    return Table("Streak of every frame", columns, rows, frozenset({0, 1, 7}), note)


def blur_limits_table(blur: Mapping[str, Any]) -> Table | None:
    """Return the slowest shutter times for several keep rates, None without any."""
    rows = tuple(
        (
            wording.share(number(r.get("keep"))), f"{wording.plain(number(r.get('streak_limit_px')), 3)} px",
            wording.exact_shutter(number(r.get("shutter_s"))),
            " to ".join(
                wording.exact_shutter(v) if math.isfinite(v := number(r.get(k))) else wording.NOT_ESTIMATED
                for k in ("ci_low_s", "ci_high_s")
            ),
        )
        for r in records(blur.get("limits"))
    )  # fmt: skip
    if not rows:
        return None
    columns = ("keep rate", "streak limit", "slowest shutter time", "95 % interval")
    return Table("Slowest shutter time for each keep rate", columns, rows, frozenset())


def scaled_limits_table(blur: Mapping[str, Any]) -> Table | None:
    """Return the limits for other focal lengths by angle, with the measured one marked; None without any."""
    found = [row for row in records(blur.get("scaled")) if number(row.get("focal_mm")) > 0]
    if not found:
        return None
    keep = number(found[0].get("keep"))
    own = [
        {**row, "focal_mm": found[0].get("from_focal_mm")}
        for row in records(blur.get("limits"))
        if number(row.get("keep")) == keep
    ]
    rows = tuple(
        (
            f"{wording.plain(number(row.get('focal_mm')), 3)} mm", "scaled" if row.get("scaled") else "measured",
            wording.exact_shutter(number(row.get("shutter_s"))),
            " to ".join(
                wording.exact_shutter(v) if math.isfinite(v := number(row.get(k))) else wording.NOT_ESTIMATED
                for k in ("ci_low_s", "ci_high_s")
            ),
        )
        for row in sorted([*found, *own[:1]], key=lambda row: number(row.get("focal_mm")))
    )  # fmt: skip
    columns = ("focal length", "how known", "slowest shutter time", "95 % interval")
    note = f"For {wording.share(keep)} of frames, on this body. "
    if blur.get("subject"):
        note += "Scaled: the same subject at the same distance, by angle."
    else:
        note += (
            "Scaled: the same angles of shake, from the same frames; a lens of another weight may be held otherwise, "
            "and close up the camera's shift adds to its turning. Measure the lenses that matter, and compare the runs "
            "with kitgauge compare."
        )
    return Table("Other focal lengths", columns, rows, frozenset({0, 1}), note)


def frames_table(frames: Sequence[FrameRow], title: str = "Frames") -> Table:
    """Return frames with settings, step, status and what was said about them."""
    said = [(*f.flags, *f.remarks) for f in frames]
    shared = tuple(s for s in said[0] if all(s in others for others in said)) if len(said) > 1 else ()
    rows = tuple(
        (
            f.file,
            _step_and_role(f),
            f.status,
            _setting(f.number("iso"), wording.iso),
            _setting(f.number("shutter_s"), wording.shutter),
            _setting(f.number("f_number"), wording.f_number),
            f.values.get("sha256", "")[:_HASH_LETTERS] or "–",
            ", ".join(s for s in (*f.flags, *f.remarks) if s not in shared) or "–",
        )
        for f in frames[:_MOST_FRAMES]
    )
    columns = ("file", "step", "status", "ISO", "shutter", "f-number", "SHA-256", "flags and remarks")
    more = len(frames) - _MOST_FRAMES
    note = f"SHA-256: how that of the file's content begins; the whole is in frames.csv.{flag_note(shared)}"
    if more > 0:
        note = f"The first {_MOST_FRAMES} frames; {more} more are in frames.csv. {note}"
    return Table(title, columns, rows, frozenset({0, 1, 2, 6, 7}), note)


def _step_and_role(frame: FrameRow) -> str:
    """Return the step, with the role where the step does not begin with it."""
    if not frame.step or not frame.role:
        return frame.step or frame.role or "–"
    return frame.step if frame.step.startswith(frame.role) else f"{frame.step} ({frame.role})"


def steps_table(data: RunData) -> Table | None:
    """Return how many frames each step has, with the settings they hold, None without frames."""
    groups: dict[tuple[str, str], list[FrameRow]] = {}
    for frame in data.frames:
        if frame.status != "unmatched":
            groups.setdefault((frame.step or "–", frame.role or "–"), []).append(frame)
    if not groups:
        return None
    rows = []
    for (step, role), frames in groups.items():
        used = sum(1 for f in frames if f.status == "used")
        rows.append(
            (
                step, role, _span(frames, "iso", wording.iso), _span(frames, "shutter_s", wording.shutter),
                _span(frames, "f_number", wording.f_number), str(used), str(len(frames) - used),
            )
        )  # fmt: skip
    columns = ("step", "role", "ISO", "shutter", "f-number", "used", "rejected")
    return Table("Frames by step", columns, tuple(rows), frozenset({0, 1}))


def _span(frames: Sequence[FrameRow], key: str, show: Any) -> str:
    values = sorted({v for f in frames if (v := f.number(key)) > 0})
    if not values:
        return wording.UNKNOWN
    return show(values[0]) if len(values) == 1 else f"{show(values[0])} to {show(values[-1])}"


def _setting(value: float, show: Any) -> str:
    return str(show(value))


def pair(row: Mapping[str, Any], key: str, error_key: str = "") -> str:
    """Return 'value ± stderr' of a field and that of its error, its name with `_stderr` if not said."""
    return wording.with_error(number(row.get(key)), number(row.get(error_key or f"{key}_stderr")))


def decimals_cell(row: Mapping[str, Any], key: str, places: int) -> str:
    """Return a field with so many decimals."""
    return wording.decimals(number(row.get(key)), places)


def _streak(frame: Mapping[str, Any]) -> str:
    bound = number(frame.get("bound_px"))
    bound = bound if math.isfinite(bound) else number(frame.get("streak_px"))
    sign = {"below": "under", "above": "over"}.get(text(frame.get("censored")))
    if sign is not None:
        return f"{sign} {wording.plain(bound, 3)}"
    return pair(frame, "streak_px")


def flags_cell(row: Mapping[str, Any], shared: tuple[str, ...] = ()) -> str:
    """Return the flags of a row but for those told once below the table."""
    return ", ".join(name for name in texts(row.get("flags")) if name not in shared) or "–"


def shared_flags(rows: Sequence[Mapping[str, Any]]) -> tuple[str, ...]:
    """Return the flags that every one of several rows carries: they are told once, below the table."""
    if len(rows) < 2:
        return ()
    first, *others = (texts(row.get("flags")) for row in rows)
    return tuple(name for name in first if all(name in flags for flags in others))


def flag_note(shared: tuple[str, ...]) -> str:
    """Return the sentence on flags that every row carries, empty without any."""
    return f" Every row carries: {', '.join(shared)}." if shared else ""


def sort_last(value: float) -> float:
    """Return a sort key that puts unknown values last."""
    return value if math.isfinite(value) else math.inf
