"""What a photon-transfer plot shows of the pairs of one ISO value."""

from __future__ import annotations

from collections.abc import Sequence, Set
from typing import Any

import numpy as np

from kitgauge.flags import FLAGS, rejects
from kitgauge.measure.noise.noise_fit import (
    NO_READ_NOISE,
    LineFit,
    PlanePairs,
    black_of,
    fit_line,
    usable_flats,
)
from kitgauge.measure.noise.photon_transfer import FlatPair


def photon_transfer_rows(iso: float, planes: Sequence[PlanePairs]) -> list[dict[str, Any]]:
    """Return what a photon-transfer plot of one ISO value shows: a row per channel (R, G, B) and set of frames.

    `variance_dn2` is that of one frame of the level `level_dn` above black: K level + dark variance. Planes of a
    channel are averaged. `used` tells whether the gain comes from it, else `reason` why not.
    """
    rows: list[dict[str, Any]] = []
    by_channel: dict[str, list[PlanePairs]] = {}
    for plane in planes:
        by_channel.setdefault("G" if plane.colour in ("G1", "G2") else plane.colour, []).append(plane)
    for channel, found_planes in by_channel.items():
        members = [plane.in_full() for plane in found_planes]
        usable = {id(used.flat) for plane in members for used in usable_flats(plane)}
        fit = fit_line(members)
        base = {"iso": iso, "channel": channel}
        for index in range(max(len(plane.flats) for plane in members)):
            found = [(plane, plane.flats[index]) for plane in members if index < len(plane.flats)]
            reasons = [_reason(flat, fit, usable) for _, flat in found]
            weights = [flat.dark_weight for _, flat in found]
            blacks = [flat.black_dn - black_of(plane, flat) for plane, flat in found]
            levels = [f.shot_dn / w + b for (_, f), w, b in zip(found, weights, blacks, strict=True)]
            variances = [flat.variance_dn2 / w for (_, flat), w in zip(found, weights, strict=True)]
            errors = [flat.variance_stderr_dn2 / w for (_, flat), w in zip(found, weights, strict=True)]
            rows.append({**base, "kind": "flat", **_mean_row(levels, variances, errors, reasons)})
        for index in range(max(len(plane.darks) for plane in members)):
            darks = [plane.darks[index] for plane in members if index < len(plane.darks)]
            reasons = [_flag_text(set(dark.flags) & NO_READ_NOISE) for dark in darks]
            variances = [dark.variance_dn2 for dark in darks]
            errors = [dark.variance_stderr_dn2 for dark in darks]
            rows.append({**base, "kind": "dark", **_mean_row([0.0], variances, errors, reasons)})
    return rows


def _mean_row(
    levels: list[float], variances: list[float], errors: list[float], reasons: list[str]
) -> dict[str, float | bool | str]:
    return {
        "level_dn": float(np.mean(levels)),
        "variance_dn2": float(np.mean(variances)),
        "variance_stderr_dn2": float(np.sqrt(np.sum(np.square(errors)))) / len(errors),
        "used": not all(reasons),
        "reason": next((reason for reason in reasons if reason), "") if all(reasons) else "",
    }


def _flag_text(names: set[str]) -> str:
    return "; ".join(FLAGS[name].text for name in sorted(names))


def _reason(flat: FlatPair, fit: LineFit | None, usable: Set[int]) -> str:
    rejecting = {name for name in flat.flags if rejects([name])}
    if rejecting:
        return _flag_text(rejecting)
    if id(flat) not in usable:
        return FLAGS["too-dark" if flat.variance_dn2 > 0 else "no-pair"].text
    return FLAGS["too-dark"].text if fit is None else fit.left_out.get(id(flat), "")
