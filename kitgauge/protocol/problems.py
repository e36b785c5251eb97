"""From a failed check to an error a person can act on: file, key, value got, value needed, fix."""

from __future__ import annotations

import re
import typing
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from kitgauge.errors import ProtocolError
from kitgauge.protocol.model import Protocol
from kitgauge.protocol.sweep import ApertureSweep, IsoSweep, ShutterSweep

_SWEEPS: dict[str, type[BaseModel]] = {"iso": IsoSweep, "f_number": ApertureSweep, "shutter_s": ShutterSweep}
_TYPES_NEEDED = {
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "float_parsing": "a number",
    "float_type": "a number",
    "int_type": "a whole number",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "string_too_short": "a text that is not empty",
    "string_type": "a text in quotes",
    "tuple_type": "a list",
}
_TYPE_WORDS: dict[type, str] = {
    list: "a list", dict: "a table"
}  # fmt: skip


@dataclass(frozen=True)
class _Fault:
    """One fault; `key` is a dotted path, items counted from 1; the lowest `rank` is told first."""

    key: str
    what: str
    got: str
    needed: str
    fix: str
    rank: int = 1


def protocol_error(error: ValidationError, content: Mapping[str, Any], source: Path) -> ProtocolError:
    """Return the ProtocolError for the first fault that `error` found in `content`; it names the others."""
    faults = [_fault(details, content) for details in error.errors(include_url=False)]
    # each branch of a choice ("a spacing or a list") complains of its own: keep the deepest, one for each key
    by_key: dict[str, _Fault] = {}
    for fault in faults:
        by_key.setdefault(fault.key, fault)
    deepest = [
        fault for key, fault in by_key.items() if not any(other.startswith((f"{key}.", f"{key}[")) for other in by_key)
    ]
    first, *others = sorted(deepest, key=lambda fault: fault.rank)
    fix = first.fix
    if others:
        more = ", ".join(fault.key for fault in others[:6]) + (" ..." if len(others) > 6 else "")
        fix += f"; then look at {len(others)} more: {more}"
    return ProtocolError(first.what, where=f"{source}: {first.key}", got=first.got, needed=first.needed, fix=fix)


def _fault(details: ErrorDetails, content: Mapping[str, Any]) -> _Fault:
    kind, context = details["type"], details.get("ctx", {})
    path = _path_in_file(details["loc"], content)
    key = _dotted(path)
    if kind == "across":
        full = ".".join(part for part in (key, str(context["key"])) if part)
        return _Fault(full, context["what"], context["got"], context["needed"], f"correct {full}", rank=2)
    owner, description = _field(path, content)
    name = str(path[-1]) if path else ""
    got = _shown(details["input"])
    if kind == "extra_forbidden":
        known = _keys(owner)
        fix = _suggestion(name, known) or "remove it"
        return _Fault(key, f"unknown key {name[:60]!r}", got, "one of " + ", ".join(known), fix, rank=0)
    if kind == "missing":
        if path and isinstance(path[-1], int):  # of a list with a fixed number of values
            whole = _dotted(path[:-1])
            return _Fault(whole, "the list is too short", f"{path[-1]} of its values", description, f"complete {whole}")
        return _Fault(key, f"the key {name} is missing", "nothing", description, f"add {name}")
    if kind == "union_tag_not_found":
        return _Fault(f"{key}.setting", "the key setting is missing", "nothing", " or ".join(_SWEEPS), "add setting")
    if kind == "union_tag_invalid":
        tag = str(context["tag"])
        fix = _suggestion(tag.lower(), list(_SWEEPS)) or "name one of these settings"
        return _Fault(
            f"{key}.setting",
            "not a setting that can be stepped through",
            _shown(tag),
            " or ".join(_SWEEPS),
            fix,
        )
    fix = f"correct {key}"
    if kind == "literal_error":
        words = re.findall(r"'([^']+)'", context["expected"])
        given = details["input"]
        fix = (_suggestion(given.lower(), words) if isinstance(given, str) else "") or fix
    return _Fault(key, "this value cannot be used", got, _needed(details, description), fix)


def _suggestion(name: str, known: Sequence[str]) -> str:
    near = get_close_matches(name, known, n=1, cutoff=0.6)
    return f"did you mean {near[0]}?" if near else ""


def _needed(details: ErrorDetails, description: str) -> str:
    """Return what a value must be, from the kind of fault; the key's description says what it is for."""
    kind, context = details["type"], details.get("ctx", {})
    if kind in ("setting", "words"):
        return str(context["needed"])
    if kind == "literal_error":
        words = str(context["expected"]).replace("'", '"')
        return f"{words} ({description.rstrip('.')})" if len(description) < 120 else words
    if kind in ("string_pattern_mismatch", "too_long", "too_short", "string_too_long"):
        limits = {"too_long": "at most {max_length} items: ", "too_short": "at least {min_length} items: ",
                  "string_too_long": "at most {max_length} characters: "}  # fmt: skip
        return limits.get(kind, "").format(**context) + description
    needed = _TYPES_NEEDED.get(kind) or details["msg"].removeprefix("Input should be ")
    return f"{needed} ({description.rstrip('.')})" if description else needed


def _path_in_file(location: Sequence[int | str], content: Mapping[str, Any]) -> list[int | str]:
    """Return `location` without the parts that name a branch of the model instead of a key of the file."""
    path: list[int | str] = []
    here: Any = content
    for index, part in enumerate(location):
        last = index == len(location) - 1
        if isinstance(part, int) and isinstance(here, list):
            path.append(part)
            here = here[part] if part < len(here) else None
        elif isinstance(part, str) and isinstance(here, Mapping):
            if part in here:
                path.append(part)
                here = here[part]
            elif last and not (path and path[-1] == "sweep" and part in _SWEEPS):
                path.append(part)  # a missing key
    return path


def _dotted(path: Sequence[int | str]) -> str:
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            shown = part if part.isascii() and part.isprintable() else ascii(part)
            text += ("." if text else "") + shown[:60]
    return text


def _shown(value: object) -> str:
    """Return a value of the file as short text with its kind."""
    if isinstance(value, str):
        return repr(value if len(value) <= 60 else value[:57] + "...")
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return f"{value:g}" if isinstance(value, float) or abs(value) < 10**15 else "a very large number"
    return _TYPE_WORDS.get(type(value), type(value).__name__)


def _models(annotation: Any) -> list[type[BaseModel]]:
    """Return the models inside an annotation such as `tuple[Step, ...]`."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for argument in typing.get_args(annotation) for model in _models(argument)]


def _keys(model: type[BaseModel]) -> list[str]:
    return [field.alias or name for name, field in model.model_fields.items()]


def _field(path: Sequence[int | str], content: Mapping[str, Any]) -> tuple[type[BaseModel], str]:
    """Return the model that the last key of `path` belongs to, and that key's description ("" for none)."""
    model: type[BaseModel] = Protocol
    description = ""
    names = [part for part in path if isinstance(part, str)]
    for depth, name in enumerate(names):
        field = next((item for key, item in model.model_fields.items() if (item.alias or key) == name), None)
        description = (field.description or "") if field is not None else ""
        if field is None or depth == len(names) - 1:
            break
        inner = _models(field.annotation)
        if name == "sweep":
            sweep = content.get("sweep")
            setting = sweep.get("setting") if isinstance(sweep, Mapping) else None
            inner = [_SWEEPS.get(setting, IsoSweep)] if isinstance(setting, str) else inner[:1]
        if inner:
            model = inner[0]
    return model, description
