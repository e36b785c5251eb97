"""The slowest shutter time that keeps enough handheld frames sharp, as a personal limit."""

from __future__ import annotations

import math
from collections.abc import Sequence

from kitgauge.errors import LimitsError
from kitgauge.exposure import DialStep, format_exact_shutter, format_shutter, shutter_dial
from kitgauge.fit.blur.blur_shutter import BlurFit, ShutterLimit
from kitgauge.flags import describe
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.model import Limit

_SPEEDS_TO_ADD = 2  # whole stops beyond the end of the ladder
_WORDS = {0.5: "5 of 10", 0.8: "8 of 10", 0.9: "9 of 10"}


def shutter_limits(
    fit: BlurFit,
    criteria: Criteria,
    frame_shape: tuple[int, int],
    lens: str | None = None,
    focal_mm: float | None = None,
    technique: str | None = None,
    dial_step: DialStep = "thirds",
    doubts: Sequence[str] = (),
) -> list[Limit]:
    """Return the shutter limit of one run, as a list of one.

    `frame_shape` (rows, columns) gives the streak limit where `criteria` sets none. A limit slower than the
    slowest measured shutter time is given as that time, with flag "ladder-too-fast": slower is not known to
    be safe. `doubts`: names of flags that the frames raised; the limit carries them, with that of a fit that misses
    the frames, and its sentence tells them. Raises LimitsError where the limit is faster than the fastest measured
    time, or where blur does not grow with time.
    """
    streak_limit = criteria.streak_limit_px(frame_shape)
    found = fit.limit(criteria.keep, streak_limit)
    doubts = (*doubts, *fit.flags(streak_limit))
    if found.reach == "faster":
        raise LimitsError(
            "the frames do not reach fast enough for this criterion",
            where="shutter limit",
            got=f"keep {criteria.keep:g} at a streak of {streak_limit:.2g} px needs a time "
            + (
                f"near {format_exact_shutter(found.shutter_s)}"
                if math.isfinite(found.shutter_s)
                else "that the frames do not tell"
            )
            + f"; the fastest handheld frames were at {format_shutter(fit.fastest_s)}"
            + "".join(f"; {doubt}" for doubt in _doubts(fit, fit.flags(streak_limit))),
            needed="handheld frames at times on both sides of the limit",
            fix="shoot faster speeds too, or accept a longer streak (--criterion streak_px=...) or a lower keep rate",
        )
    beyond = found.reach == "slower"
    exact = fit.slowest_s if beyond else found.shutter_s
    dial = shutter_dial(dial_step)
    index = dial.at_most(exact)
    if index is None:
        raise LimitsError(
            "the limit is faster than any shutter speed on a dial",
            where="shutter limit",
            got=f"{exact:.3g} s",
            fix="accept a longer streak (--criterion streak_px=...) or a lower keep rate",
        )
    marked = dial.exact[index]
    # the interval of a limit beyond the ladder still bounds it from below, if within the ladder
    low = min(found.ci_low_s, exact) if beyond else found.ci_low_s
    high = math.nan if beyond else found.ci_high_s
    return [
        Limit(
            kind="shutter",
            value={"shutter_s": exact},
            dial={"shutter_s": dial.nominal[index]},
            ci_low=low,
            ci_high=high,
            criterion=criteria.streak_criterion(frame_shape),
            text=_sentence(fit, found, marked, lens, focal_mm, technique)
            + _beyond_ladder(fit, found)
            + "".join(f" Doubtful: {doubt}." for doubt in _doubts(fit, doubts)),
            stderr_stops=math.nan if beyond else found.stderr_stops,
            lens=lens,
            focal_mm=focal_mm,
            technique=technique,
            flags=tuple(dict.fromkeys([*(("ladder-too-fast",) if beyond else ()), *doubts])),
            extra={"fitted_shutter_s": found.shutter_s} if beyond and math.isfinite(found.shutter_s) else {},
        )
    ]


def _doubts(fit: BlurFit, flags: Sequence[str]) -> list[str]:
    """Return what is doubtful, one text per flag, with the advice."""
    found = []
    for name in dict.fromkeys(flags):
        flag = describe(name)
        text = flag.text
        if name == "model-misfit" and fit.lost.clear:
            text = (
                f"{fit.lost.count} of {fit.lost.frames} frames are lost at any speed, which faster speeds do not cure"
            )
        elif name == "model-misfit":
            text = "the keep rates of the single speeds differ from the curve by more than chance"
        found.append(f"{text}; {flag.advice}")
    return found


def _sentence(
    fit: BlurFit,
    found: ShutterLimit,
    marked_s: float,
    lens: str | None,
    focal_mm: float | None,
    technique: str | None,
) -> str:
    share = _WORDS.get(round(found.keep, 3), f"{100.0 * found.keep:.0f} of 100")
    if focal_mm is not None:
        with_lens = f"With the {focal_mm:g} mm lens"
    elif lens:
        with_lens = f"With the {lens}"
    else:
        with_lens = "With this lens"
    held = f", {technique}" if technique else ""
    start = f"{with_lens}{held}: {share} frames are sharp"
    if found.reach == "slower":
        return (
            f"{start} at {format_shutter(fit.slowest_s)}, the slowest speed measured, and faster; "
            "your limit lies slower than that, so shoot slower speeds to find it."
        )
    exact = format_exact_shutter(found.shutter_s)
    return f"{start} at {exact} or faster (on the dial {format_shutter(marked_s)}; {_interval(found)})."


def _beyond_ladder(fit: BlurFit, found: ShutterLimit) -> str:
    """Return on which sides the interval leaves the speeds shot, with what to shoot, empty where it does not."""
    told = ""
    times = shutter_dial("whole").exact
    for side in found.ci_beyond:
        if side == found.reach:
            continue  # the limit itself lies there, and its sentence says so
        if side == "faster":
            name, end, missing = (
                "fast",
                fit.fastest_s,
                sorted((t for t in times if t < 0.9 * fit.fastest_s), reverse=True),
            )
        else:
            name, end, missing = "slow", fit.slowest_s, sorted(t for t in times if t > 1.1 * fit.slowest_s)
        add = " and ".join(format_shutter(time) for time in missing[:_SPEEDS_TO_ADD])
        told += (
            f" The ladder did not reach far enough on the {name} side: the interval goes beyond {format_shutter(end)}, "
            f"the {side.removesuffix('er')}est speed shot, where the curve is a guess"
            + (f"; shoot {add} as well." if add else ".")
        )
    return told


def _interval(found: ShutterLimit) -> str:
    low, high = found.ci_low_s, found.ci_high_s
    if math.isfinite(low) and math.isfinite(high):
        first, last = format_exact_shutter(low), format_exact_shutter(high)
        if first.endswith(" s") and last.endswith(" s"):
            first = first.removesuffix(" s")
        return f"95 % interval {first} to {last}"
    if math.isfinite(low):
        return f"95 % interval from {format_exact_shutter(low)} on; slower is open, shoot more frames"
    if math.isfinite(high):
        return f"95 % interval up to {format_exact_shutter(high)}; faster is open, shoot more frames"
    return "no interval: shoot more frames"
