"""Figures of blur against shutter speed: keep rate with the limit, and the streak of every frame."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from matplotlib.axes import Axes

from kitgauge.exposure import exact_shutter_s
from kitgauge.intervals import NORMAL_95
from kitgauge.report import wording
from kitgauge.report.axes import dial_axis, finite_positive, stops_axis
from kitgauge.report.data import mapping, number, numbers, records, sampled_curve, text
from kitgauge.report.letter import setting_text
from kitgauge.report.plots_directions import directions_picture
from kitgauge.report.style import GREY, LIMIT, LOOKS, Picture, draw_model, mark_limit, picture

Rows = Sequence[Mapping[str, Any]]
_FLOOR_SHARE = 1e-9
_MOST_COUNTS_IN_A_ROW = 10


def blur_pictures(blur: Mapping[str, Any], limits: Sequence[Mapping[str, Any]]) -> list[Picture]:
    """Return the figures of one blur run (`blur` and `limits` of `curves.json`); none where no frame was
    measured.
    """
    frames = [row for row in records(blur.get("frames")) if number(row.get("shutter_s")) > 0]
    limit = next((item for item in limits if item.get("kind") == "shutter"), None)
    streak_limit = streak_limit_px(blur, limit)
    pictures = [
        _keep_picture(frames, blur, limit, streak_limit),
        _streak_picture(frames, blur, streak_limit),
        directions_picture(frames),
    ]
    return [item for item in pictures if item is not None]


def streak_limit_px(blur: Mapping[str, Any], limit: Mapping[str, Any] | None) -> float:
    """Return the streak limit [px] of the run: that of the limit's criterion, else of `blur.limits`, else
    NaN.
    """
    given = number(mapping((limit or {}).get("criterion")).get("streak_px"))
    candidates = [
        given,
        number((limit or {}).get("streak_limit_px")),
        *numbers(records(blur.get("limits")), "streak_limit_px"),
    ]
    return next(iter(finite_positive(candidates)), math.nan)


def kept(frame: Mapping[str, Any], streak_limit: float) -> bool | None:
    """Tell whether a frame's streak is at or under the limit; None where that cannot be known.

    A frame censored "below" is known to be shorter than its bound, one censored "above" longer: it counts
    where the bound (`bound_px`, else the streak written) lies on the telling side of the limit.
    """
    streak = number(frame.get("streak_px"))
    bound = number(frame.get("bound_px"))
    bound = bound if math.isfinite(bound) else streak
    censored = frame.get("censored")
    if censored == "below":
        return True if not math.isfinite(bound) or bound <= streak_limit else None
    if censored == "above":
        return False if not math.isfinite(bound) or bound >= streak_limit else None
    return streak <= streak_limit if math.isfinite(streak) else None


def keep_counts(frames: Rows, streak_limit: float) -> list[tuple[float, int, int]]:
    """Return (shutter_s, kept, judged) of the moving frames, per shutter time.

    Tripod frames, frames left out of the fit and frames that cannot be judged do not count.
    """
    counts: dict[float, list[int]] = {}
    for frame in frames:
        if frame.get("role") == "tripod" or frame.get("excluded") or (verdict := kept(frame, streak_limit)) is None:
            continue
        cell = counts.setdefault(_time_s(frame), [0, 0])
        cell[0] += verdict
        cell[1] += 1
    return [(shutter_s, cell[0], cell[1]) for shutter_s, cell in sorted(counts.items())]


def wilson_interval(successes: int, trials: int) -> tuple[float, float]:
    """Return the 95 % score interval of a share (E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209)."""
    share = successes / trials
    z2 = NORMAL_95**2
    middle = (share + z2 / (2 * trials)) / (1 + z2 / trials)
    half = NORMAL_95 / (1 + z2 / trials) * math.sqrt(share * (1 - share) / trials + z2 / (4 * trials**2))
    return max(0.0, middle - half), min(1.0, middle + half)


def _keep_picture(
    frames: Rows, blur: Mapping[str, Any], limit: Mapping[str, Any] | None, streak_limit: float
) -> Picture | None:
    if not math.isfinite(streak_limit):
        return None
    counts = keep_counts(frames, streak_limit)
    if not counts:
        return None
    own = number(mapping((limit or {}).get("criterion")).get("keep"))
    others = [r for r in records(blur.get("limits")) if number(r.get("shutter_s")) > 0 and number(r.get("keep")) != own]
    limit_s = number((limit or {}).get("shutter_s"))
    times = [row[0] for row in counts] + finite_positive([limit_s])
    curve = sampled_curve(mapping(mapping(blur.get("fit")).get("curves")).get("keep_rate"))

    def draw(axes: Axes) -> None:
        look = LOOKS[0]
        draw_model(axes, curve, look, "model and 95 % band")
        shares = [k / n for _, k, n in counts]
        bounds = [wilson_interval(k, n) for _, k, n in counts]
        errors = (
            [max(0.0, s - b[0]) for s, b in zip(shares, bounds, strict=True)],
            [max(0.0, b[1] - s) for s, b in zip(shares, bounds, strict=True)],
        )
        axes.errorbar(
            [row[0] for row in counts],
            shares,
            yerr=errors,
            linestyle="none",
            marker=look.marker,
            color=look.colour,
            elinewidth=1.1,
            label="frames kept, of frames shot",
            zorder=3,
        )
        crowded = len(counts) > _MOST_COUNTS_IN_A_ROW
        for shutter_s, k, n in counts:  # above the axes, where they meet neither bars nor lines
            axes.annotate(
                f"{k}/{n}", (shutter_s, 1.0), xycoords=axes.get_xaxis_transform(), xytext=(0, 3),
                textcoords="offset points", ha="center", va="bottom", fontsize=8.5, rotation=90 if crowded else 0,
            )  # fmt: skip
        if limit_s > 0:
            low, high = number((limit or {}).get("ci_low")), number((limit or {}).get("ci_high"))
            mark_limit(
                axes, limit_s, low, high,
                f"limit {setting_text(limit or {}, '')} (on the dial {setting_text(limit or {})})",
            )  # fmt: skip
        _draw_other_limits(axes, others)
        dial_axis(axes, "shutter", times)
        axes.set_ylim(-0.04, 1.06)
        axes.set_yticks([0, 0.2, 0.4, 0.6, 0.8, 1.0], ["0 %", "20 %", "40 %", "60 %", "80 %", "100 %"])
        axes.set_ylabel("share of frames kept")

    caption = (
        f"Share of frames with a streak of {wording.plain(streak_limit, 3)} px or less, against shutter "
        "time. The "
        "figures above count frames kept and shot; bars are 95 % intervals of such a count "
        "alone, so they "
        "are wider than the model's band. "
    )
    if curve is None:
        caption += "No model line: the fit gave none. "
    if limit_s > 0:
        caption += "The broken line is your limit, the shaded strip its 95 % interval. "
    if others:
        caption += "Crosses mark the times for other keep rates, with their 95 % intervals."
    alt = "Chart: frames kept, by shutter time: " + ", ".join(f"{wording.shutter(t)} {k} of {n}" for t, k, n in counts)
    return picture("blur-keep", "Keep rate against shutter speed", caption, alt + ".", draw)


def _draw_other_limits(axes: Axes, rows: Rows) -> None:
    for k, row in enumerate(rows):
        time_s, low, high = (number(row.get(key)) for key in ("shutter_s", "ci_low_s", "ci_high_s"))
        keep = number(row.get("keep"))
        if not math.isfinite(keep):
            continue
        error = [[time_s - low], [high - time_s]] if low <= time_s <= high else None
        axes.errorbar(
            [time_s],
            [keep],
            xerr=error,
            marker="x",
            color=GREY,
            elinewidth=1.1,
            linestyle="none",
            zorder=2.6,
            label="other keep rates" if k == 0 else None,
        )


def _streak_picture(frames: Rows, blur: Mapping[str, Any], streak_limit: float) -> Picture | None:
    placed = [(frame, height) for frame in frames if (height := _height(frame)) > 0]
    if not placed:
        return None
    curve = sampled_curve(mapping(mapping(blur.get("fit")).get("curves")).get("streak_px"))
    values = [height for _, height in placed] + finite_positive([streak_limit])
    moving = "subject" if any(text(frame.get("role")) == "subject" for frame in frames) else "handheld"
    groups = (
        (
            f"{moving}, measured",
            LOOKS[0].colour,
            "o",
            [p for p in placed if not _censored(p) and not _tripod(p)],
            True,
        ),
        (
            f"{moving}, shorter than shown",
            LOOKS[1].colour,
            "v",
            [p for p in placed if _is(p, "below")],
            False,
        ),
        (f"{moving}, longer than shown", LOOKS[5].colour, "^", [p for p in placed if _is(p, "above")], False),
        ("tripod", GREY, "s", [p for p in placed if _tripod(p)], False),
    )

    def draw(axes: Axes) -> None:
        for label, colour, marker, rows, filled in groups:
            _draw_frames(axes, label, colour, marker, rows, filled)
        draw_model(axes, curve, LOOKS[2], "model: median frame")
        if math.isfinite(streak_limit):
            axes.axhline(
                streak_limit, color=LIMIT, linestyle=(0, (7, 2)),
                label=f"streak limit, {wording.plain(streak_limit, 3)} px",
            )  # fmt: skip
        dial_axis(axes, "shutter", [_time_s(frame) for frame, _ in placed])
        stops_axis(axes, values)
        axes.set_ylabel("streak (pixels)")

    censored = sum(1 for p in placed if _censored(p) and not _tripod(p))
    left_out = len(frames) - len(placed)
    caption = (
        "The streak of every frame: the length of a straight motion that blurs as much. Frames of one "
        "shutter time are "
        "spread a little sideways so that they can be told apart. "
    )
    if curve is not None:
        caption += "The model's line has half of the frames below it"
        caption += ", its strip holds 80 in a hundred of them. " if curve.has_band else ". "
    if censored:
        caption += (
            f"{wording.count(censored, 'frame')} could only be bounded: an arrow down is a frame at least "
            "that steady, "
            "an arrow up one blurred more than could be measured. They count in the fit. "
        )
    if left_out:
        caption += (
            f"{wording.count(left_out, 'frame')} could not be measured and is not shown. "
            if left_out == 1
            else (f"{left_out} frames could not be measured and are not shown. ")
        )
    alt = (
        f"Chart: streaks of {len(placed)} frames between {wording.plain(min(values), 2)} and "
        f"{wording.plain(max(values), 3)} pixels against shutter time; {censored} of them are bounds."
    )
    return picture("blur-streak", "Every frame", caption, alt, draw)


def _time_s(frame: Mapping[str, Any]) -> float:
    """Return the exact shutter time of a frame with the time that the camera marks."""
    return exact_shutter_s(number(frame.get("shutter_s")))


Placed = tuple[Mapping[str, Any], float]


def _height(frame: Mapping[str, Any]) -> float:
    """Return where a frame stands on the streak axis: its streak, or its bound where it is censored."""
    bound = number(frame.get("bound_px"))
    streak = number(frame.get("streak_px"))
    if frame.get("censored") in ("below", "above") and math.isfinite(bound):
        return bound
    return streak if streak > _FLOOR_SHARE else math.nan


def _tripod(placed: Placed) -> bool:
    return text(placed[0].get("role")) == "tripod"


def _censored(placed: Placed) -> bool:
    return placed[0].get("censored") in ("below", "above")


def _is(placed: Placed, kind: str) -> bool:
    return placed[0].get("censored") == kind and not _tripod(placed)


def _draw_frames(axes: Axes, label: str, colour: str, marker: str, rows: list[Placed], filled: bool) -> None:
    if not rows:
        return
    x = _spread([_time_s(frame) for frame, _ in rows])
    y = [height for _, height in rows]
    errors = [e if e > 0 else 0.0 for e in numbers([frame for frame, _ in rows], "streak_px_stderr")]
    lower = [min(e, 0.9 * value) for e, value in zip(errors, y, strict=True)]  # a bar down to 0 has no log
    axes.errorbar(
        x,
        y,
        yerr=(lower, errors) if filled and any(errors) else None,
        linestyle="none",
        marker=marker,
        markersize=4.5,
        color=colour,
        markerfacecolor=colour if filled else "white",
        elinewidth=0.8,
        capsize=0,
        label=label,
        zorder=3,
    )
    direction = {"v": -1, "^": 1}.get(marker, 0)
    if direction:
        for a, b in zip(x, y, strict=True):
            axes.annotate(
                "",
                (a, b),
                xytext=(0, 13 * direction),
                textcoords="offset points",
                arrowprops={"arrowstyle": "<-", "color": colour, "linewidth": 0.9},
                zorder=2.8,
            )


def _spread(times_s: list[float]) -> list[float]:
    """Return the times moved by up to a tenth of a stop, frames of one time side by side."""
    seen: dict[float, int] = {}
    total = {t: times_s.count(t) for t in times_s}
    moved = []
    for t in times_s:
        k = seen.get(t, 0)
        seen[t] = k + 1
        offset = 0.0 if total[t] == 1 else 0.2 * (k / (total[t] - 1) - 0.5)
        moved.append(t * 2.0**offset)
    return moved
