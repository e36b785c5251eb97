"""The shutter limit of a finished blur run, read from its files, for comparison with that of other runs."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from kitgauge.errors import ResultsError, UsageError
from kitgauge.fit.blur.blur_shutter import BlurFit, fit_blur
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.focal_length import focal_35mm
from kitgauge.runs.files import CURVES_FILE, FRAMES_FILE, RUN_FILE, read_json

_STEADY_NEEDED = "tripod-unsteady"


@dataclass(frozen=True)
class BlurRun:
    """What comparisons need of one run.

    `keep`, `streak_px` are its own criterion; `fit` is the fit to the streaks in its files. `moment`: when its frames
    were taken (None: not known). `moving`, `tripod`: the contents (sha256) of its frames.
    """

    folder: Path
    technique: str
    subject: bool
    developed: bool
    kit: Mapping[str, Any]
    shape: tuple[int, int]
    keep: float
    streak_px: float
    moment: datetime | None
    moving: frozenset[str]
    tripod: frozenset[str]
    flags: tuple[str, ...]
    fit: BlurFit

    @property
    def name(self) -> str:
        """The folder's own name."""
        return self.folder.resolve().name

    @property
    def kit_words(self) -> tuple[str, str]:
        """Body and lens in words."""
        body, serial, lens = (self.kit.get(key) for key in ("body", "body_serial", "lens"))
        return f"{body or 'unknown body'}{f' #{serial}' if serial else ''}", str(lens or "unknown lens")

    @property
    def focal_35mm(self) -> float:
        """Focal length in 35 mm terms [mm], NaN where not known."""
        found = focal_35mm(self.kit, self.shape)
        return math.nan if found is None else found[0]

    @property
    def focal_mm(self) -> float:
        """Focal length [mm], NaN where not known."""
        return _number(self.kit.get("focal_mm"))

    @property
    def diagonal_px(self) -> float:
        """Diagonal of the frame [px]."""
        return math.hypot(*self.shape)

    @property
    def streak_share(self) -> float:
        """The streak limit as a share of the frame's diagonal: the same picture, whatever its pixels."""
        return self.streak_px / self.diagonal_px


def read_blur_run(folder: Path | str, criteria: Criteria | None = None) -> BlurRun:
    """Return the blur run in `folder`, judged by `criteria` (None: by its own).

    Raises UsageError for a run that measured something else, ResultsError for one without a usable fit.
    """
    folder = Path(folder)
    curves, header = read_json(folder / CURVES_FILE), read_json(folder / RUN_FILE)
    blur, kit = _mapping(curves.get("blur")), _mapping(curves.get("kit"))
    rows = [row for row in blur.get("frames") or [] if isinstance(row, Mapping)]
    if not rows:
        raise UsageError(
            "this run did not measure blur",
            where=folder,
            got=f"a run of {curves.get('protocol') or 'an unknown protocol'}",
            needed="runs of handheld-shutter, or all of subject-motion",
            fix="leave it out",
        )
    height, width = _number(kit.get("height_px")), _number(kit.get("width_px"))
    fitted = _mapping(blur.get("fit"))
    flags = tuple(str(flag) for flag in fitted.get("flags") or ())
    unsteady = _STEADY_NEEDED in flags and not curves.get("limits")
    if not fitted or unsteady or not (height > 0 and width > 0):
        reasons = [str(reason) for reason in header.get("missing") or ()]
        raise ResultsError(
            "this run gives no limit to compare",
            where=folder,
            got="; ".join(reasons) or str(header.get("reason") or "no fit of blur against shutter time"),
            needed="a run whose report shows a keep rate against shutter speed",
            fix="shoot again what its report says, or leave it out",
        )
    shape = (round(height), round(width))
    keep, streak_px = _own_criterion(curves, header, blur)
    if criteria is not None:
        keep, streak_px = criteria.keep, criteria.streak_limit_px(shape)
    if not (0.0 < keep < 1.0 and streak_px > 0.0):
        raise ResultsError("the criterion of this run cannot be read", where=folder, fix="run the protocol again")
    moment, moving, tripod = _frames(folder / FRAMES_FILE)
    return BlurRun(
        folder=folder,
        technique=str(curves.get("technique") or _mapping(header.get("settings")).get("technique") or ""),
        subject=any(row.get("role") == "subject" for row in rows),
        developed=bool(kit.get("developed")),
        kit=kit,
        shape=shape,
        keep=keep,
        streak_px=streak_px,
        moment=moment,
        moving=moving,
        tripod=tripod,
        flags=flags,
        fit=fit_of_rows(rows),
    )


def fit_of_rows(rows: Sequence[Mapping[str, Any]]) -> BlurFit:
    """Return the fit to the moving frames in `blur.frames` of curves.json, as the run made it."""
    used = [row for row in rows if row.get("role") != "tripod" and not row.get("excluded")]
    columns = ("shutter_s_exact", "streak_px", "streak_px_stderr", "bound_px")
    times, streaks, errors, bounds = ([_number(row.get(key)) for row in used] for key in columns)
    variances, variance_errors = (
        [_number(row.get(key)) for row in used] for key in ("motion_variance_px2", "motion_variance_px2_stderr")
    )
    censored = [row.get("censored") for row in used]
    bursts = [row.get("burst") for row in used]  # frames of one burst share a movement
    return fit_blur(times, streaks, errors, censored, bounds, variances, variance_errors, bursts)


def _own_criterion(
    curves: Mapping[str, Any], header: Mapping[str, Any], blur: Mapping[str, Any]
) -> tuple[float, float]:
    """Return keep rate and streak limit [px] that the run was judged by."""
    given = _mapping(_mapping(header.get("settings")).get("criteria"))
    keep = _number(given.get("keep"))
    streaks = [_number(_mapping(row).get("streak_limit_px")) for row in blur.get("limits") or ()]
    for limit in curves.get("limits") or ():
        criterion = _mapping(_mapping(limit).get("criterion"))
        if "keep" in criterion and "streak_px" in criterion:
            return _number(criterion["keep"]), _number(criterion["streak_px"])
    return (keep if keep > 0 else Criteria().keep), (streaks[0] if streaks else math.nan)


def _frames(path: Path) -> tuple[datetime | None, frozenset[str], frozenset[str]]:
    """Return when the moving frames were taken (the first of them), and the contents of moving and tripod frames."""
    try:
        with path.open(encoding="utf-8", errors="surrogateescape", newline="") as file:
            rows = [row for row in csv.DictReader(file) if row.get("status") == "used"]
    except (OSError, csv.Error) as error:
        raise ResultsError("the list of frames cannot be read", where=path, got=error) from error
    moving = [row for row in rows if row.get("role") in ("handheld", "subject")]
    moments = []
    for row in moving:
        try:
            moments.append(datetime.fromisoformat(row.get("taken_at") or ""))
        except ValueError:
            continue
    first = min((moment.replace(tzinfo=None) for moment in moments), default=None)
    tripod = [row for row in rows if row.get("role") == "tripod"]
    contents = (frozenset(sha for row in part if (sha := row.get("sha256"))) for part in (moving, tripod))
    return (first, *contents)  # type: ignore[return-value]


def _mapping(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return math.nan
    try:
        return float(value)
    except OverflowError:  # a whole number of hundreds of digits is no quantity
        return math.nan
