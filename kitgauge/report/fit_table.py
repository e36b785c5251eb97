"""The table of fitted parameters, with everything that a fit tells about itself."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

from kitgauge.report import wording
from kitgauge.report.data import mapping, number, text, texts
from kitgauge.report.evidence import Table

_FAR_FROM_ONE = 2.0  # of a reduced chi-square; common practice, no source


def fit_table(fit: Mapping[str, Any], title: str, main: str) -> Table | None:
    """Return one table of the parameters of every fit in a part of `curves.json`, None without any.

    `main` names the fit at the top. A fit is an object with `parameters`, each {value, stderr, unit}, at any
    depth; what speaks against it stands in the note, the rest (model, points used, evidence) in the details.
    """
    fits = _fits(fit, main)
    if not fits:
        return None
    several = len(fits) > 1
    rows = tuple(
        ((name,) if several else ()) + (parameter_name(key), *_parameter(given))
        for name, found in fits
        for key, given in mapping(found.get("parameters")).items()
    )
    said = [(name, _sentences(found)) for name, found in fits]
    shared = [sentence for sentence in said[0][1] if all(sentence in others for _, others in said)]
    details = [" ".join(shared)] if shared else []
    for name, sentences in said:
        if own := " ".join(sentence for sentence in sentences if sentence not in shared):
            details.append(f"{name[:1].upper()}{name[1:]}: {own}" if several else own)
    columns = (("of",) if several else ()) + ("parameter", "value", "unit")
    warned: dict[str, list[str]] = {}
    for name, found in fits:
        for warning in _warnings(found):
            warned.setdefault(warning, []).append(name)
    warnings = [
        f"{warning}." if len(names) == len(fits) else f"{warning} ({wording.listing(names, 4)})."
        for warning, names in warned.items()
    ]
    note = " ".join([*_scatter(fits), *warnings])
    return Table(title, columns, rows, frozenset({0, 1, 3} if several else {0, 2}), note, tuple(details))


_PARAMETER_NAMES = {
    "sigma_0": "σ₀, noise before the gain",
    "sigma_0_low_iso": "σ₀, noise before the gain, low ISO",
    "sigma_0_high_iso": "σ₀, noise before the gain, high ISO",
    "sigma_1": "σ₁, noise after the gain",
    "k": "gain × ISO",
    "k_low_iso": "gain × ISO, low ISO",
    "k_high_iso": "gain × ISO, high ISO",
    "floor_px": "blur that remains stopped down",
    "aberration_px": "blur that falls with the f-number",
    "power": "power of that fall",
    "defocus_waves": "defocus at the lowest f-number",
    "spherical_waves": "spherical aberration at the lowest f-number",
    "ln_scale": "logarithm of the streak's scale at the reference time",
    "slope": "stops of streak per stop of time",
    "bend": "by which that slope falls as time grows, per factor e of time",
    "burst_spread": "spread between bursts, of the logarithm of the streak",
}
_UNIT_NAMES = {"e-": "e⁻", "e-/DN": "e⁻/DN", "": "–"}
_EVIDENCE_NAMES = (("log likelihood", "log-likelihood,"), ("aicc", "AICc,"), ("bic", "BIC,"))
_SIGNS = (
    (r"\bsigma\b|\bsigma(?=[_^])", "σ"), (r"_0\b", "₀"), (r"_1\b", "₁"), (r"_r\b", "ᵣ"), (r"\^2\b", "²"),
    (r" x ", " × "), (r"\be-", "e⁻"),
)  # fmt: skip


def parameter_name(key: str) -> str:
    """Return the name of a fitted parameter in words."""
    return _PARAMETER_NAMES.get(key, key.replace("_", " "))


def formula(model: str) -> str:
    """Return a model as it is written by hand: sigma_0^2 becomes σ₀²."""
    for pattern, sign in _SIGNS:
        model = re.sub(pattern, sign, model)
    return model


def evidence_name(key: str) -> str:
    """Return 'AICc, two stages' for 'aicc_two_stages'."""
    words = key.replace("_", " ")
    for plain, proper in _EVIDENCE_NAMES:
        if words.startswith(plain):
            return f"{proper}{words[len(plain) :]}".rstrip(",")
    return words


def _scatter(fits: list[tuple[str, Mapping[str, Any]]]) -> list[str]:
    """Return a sentence on points that scatter much more, or much less, than their errors say."""
    found = [(name, chi, found) for name, found in fits if (chi := number(found.get("reduced_chi_square"))) > 0]
    wide = [(name, chi) for name, chi, _ in found if chi > _FAR_FROM_ONE]
    narrow = [(name, chi) for name, chi, _ in found if chi < 1 / _FAR_FROM_ONE]
    rescaled = all(item.get("errors_rescaled") for _, chi, item in found if chi > _FAR_FROM_ONE)
    parts = []
    for group, said in ((wide, "more widely"), (narrow, "less")):
        if not group:
            continue
        values = sorted(chi for _, chi in group)
        shown = wording.plain(values[0], 2)
        if len(values) > 1:
            shown += f" to {wording.plain(values[-1], 2)}"
        where = "" if len(group) == len(fits) else f" ({wording.listing([name for name, _ in group], 4)})"
        end = ""
        if said == "more widely":
            end = (
                "; the errors given here are widened to match" if rescaled else "; the errors given here are too small"
            )
        parts.append(
            f"The points scatter about the model {said} than their own errors say{where}: "
            f"reduced chi-square {shown}, where 1 is expected{end}."
        )
    return parts


def _warnings(fit: Mapping[str, Any]) -> list[str]:
    parts = []
    if fit.get("converged") is False:
        parts.append(f"The fit did not converge: {text(fit.get('message')).rstrip('.') or 'no message'}")
    if bound := texts(fit.get("at_bound")):
        parts.append(f"Stuck at a bound: {', '.join(parameter_name(key) for key in bound)}")
    if goodness := text(mapping(fit.get("goodness")).get("text")):
        parts.append(goodness.rstrip("."))
    if dropped := texts(fit.get("points_dropped")):
        parts.append(f"Left out: {wording.listing(list(dropped), 5)}")
    return parts


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
        unit = text(given.get("unit"))
        return with_parameter_error(given), _UNIT_NAMES.get(unit, unit)
    return wording.plain(number(given)), "–"


def with_parameter_error(given: Mapping[str, Any]) -> str:
    """Return 'value ± stderr' of a fitted parameter."""
    return wording.with_error(number(given.get("value")), number(given.get("stderr")))


def _sentences(fit: Mapping[str, Any]) -> list[str]:
    """Return what else a fit tells about itself, a sentence each."""
    parts = []
    if model := text(fit.get("model")):
        parts.append(f"Model: {formula(model)}.")
    used = number(fit.get("points_used"))
    if math.isfinite(used):
        freedom = wording.plain(number(fit.get("degrees_of_freedom")), 4)
        parts.append(f"{wording.plain(used, 4)} points used, {freedom} degrees of freedom.")
    if "reduced_chi_square" in fit:
        chi = number(fit.get("reduced_chi_square"))
        parts.append(f"Reduced chi-square: {wording.plain(chi, 3) if math.isfinite(chi) else wording.NOT_ESTIMATED}.")
    if fit.get("errors_rescaled"):
        parts.append("Standard errors are rescaled by chi-square.")
    if told := text(fit.get("evidence_text")):
        parts.append(told)
    evidence = mapping(fit.get("evidence"))
    if evidence:
        shown = "; ".join(f"{evidence_name(str(k))}: {wording.plain(number(v), 5)}" for k, v in evidence.items())
        parts.append(f"Evidence for the model, and constants: {shown}.")
    return parts
