"""The table of fitted parameters, with everything that a fit tells about itself."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from kitgauge.report import wording
from kitgauge.report.data import mapping, number, text, texts
from kitgauge.report.evidence import Table


def fit_table(fit: Mapping[str, Any], title: str, main: str) -> Table | None:
    """Return one table of the parameters of every fit in a part of `curves.json`, None without any.

    `main` names the fit at the top. A fit is an object with `parameters`, each {value, stderr, unit}, at any
    depth; what else it tells (points used, chi-square, model evidence) follows in the note.
    """
    fits = _fits(fit, main)
    if not fits:
        return None
    several = len(fits) > 1
    rows = tuple(
        ((name,) if several else ()) + (key.replace("_", " "), *_parameter(given))
        for name, found in fits
        for key, given in mapping(found.get("parameters")).items()
    )
    said = [(name, _sentences(found)) for name, found in fits]
    shared = [sentence for sentence in said[0][1] if all(sentence in others for _, others in said)]
    note = " ".join(shared)
    for name, sentences in said:
        if own := " ".join(sentence for sentence in sentences if sentence not in shared):
            note += f" {name[:1].upper()}{name[1:]}: {own}" if several else f" {own}"
    columns = (("of",) if several else ()) + ("parameter", "value", "unit")
    return Table(title, columns, rows, frozenset({0, 1, 3} if several else {0, 2}), note.strip())


def _fits(value: Mapping[str, Any], name: str) -> list[tuple[str, Mapping[str, Any]]]:
    repeated = mapping(value.get("parameters")) == mapping(mapping(value.get("fit")).get("parameters"))
    found = [(name, value)] if mapping(value.get("parameters")) and not repeated else []
    for key, inner in value.items():
        if key not in ("parameters", "evidence", "curve", "curves") and isinstance(inner, Mapping):
            inner_name = name if key in ("result", "fit") else key.replace("_", " ")
            found += _fits(inner, inner_name)
    return found


def _parameter(given: object) -> tuple[str, str]:
    if isinstance(given, Mapping):
        return with_parameter_error(given), text(given.get("unit")) or "–"
    return wording.plain(number(given)), "–"


def with_parameter_error(given: Mapping[str, Any]) -> str:
    """Return 'value ± stderr' of a fitted parameter."""
    return wording.with_error(number(given.get("value")), number(given.get("stderr")))


def _sentences(fit: Mapping[str, Any]) -> list[str]:
    """Return what a fit tells about itself, a sentence each."""
    parts = []
    if model := text(fit.get("model")):
        parts.append(f"Model: {model}.")
    used = number(fit.get("points_used"))
    if math.isfinite(used):
        freedom = wording.plain(number(fit.get("degrees_of_freedom")), 4)
        parts.append(f"{wording.plain(used, 4)} points used, {freedom} degrees of freedom.")
    if "reduced_chi_square" in fit:
        chi = number(fit.get("reduced_chi_square"))
        parts.append(f"Reduced chi-square: {wording.plain(chi, 3) if math.isfinite(chi) else wording.NOT_ESTIMATED}.")
    if dropped := texts(fit.get("points_dropped")):
        parts.append(f"Left out: {wording.listing(list(dropped), 5)}.")
    if fit.get("converged") is False:
        parts.append(f"The fit did not converge: {text(fit.get('message')) or 'no message'}.")
    if bound := texts(fit.get("at_bound")):
        parts.append(f"Stuck at a bound: {', '.join(bound)}.")
    if fit.get("errors_rescaled"):
        parts.append("Standard errors are rescaled by chi-square.")
    evidence = mapping(fit.get("evidence"))
    if evidence:
        shown = ", ".join(f"{k.replace('_', ' ')} {wording.plain(number(v), 5)}" for k, v in evidence.items())
        parts.append(f"Model evidence and constants: {shown}.")
    return parts
