"""The file of accepted limits, `results/<kit>/limits.toml`.

Reading is `limits.reading`; writing loads tomlkit, so that comments and order set by hand survive. A file is written
beside the old one and put in its place in one step: a full disk or a crash leaves the old file whole.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from kitgauge.errors import LimitsError
from kitgauge.limits.compare import Difference, compare
from kitgauge.limits.entries import SCHEMA, AcceptedLimit, entry_as_dict, entry_from_dict, shown
from kitgauge.limits.reading import FILE_NAME as FILE_NAME
from kitgauge.limits.reading import LimitsFile as LimitsFile
from kitgauge.limits.reading import read_limits as read_limits
from kitgauge.limits.run_folders import folder_inside

if TYPE_CHECKING:
    import tomlkit

_HEADER = (
    "Accepted limits of one kit: what `kitgauge plan` uses. Change them with `kitgauge limits accept` and",
    "`kitgauge limits drop`, or by hand: comments are kept. A value that is not known is left out.",
)


@dataclass(frozen=True)
class Accepted:
    """What `accept` did: limits added, replaced (with the difference to the old one) and already there."""

    path: Path
    added: tuple[AcceptedLimit, ...]
    replaced: tuple[tuple[AcceptedLimit, AcceptedLimit, Difference], ...]
    unchanged: tuple[AcceptedLimit, ...]


def accept(
    path: Path | str,
    run: str,
    limits: Iterable[Any],
    *,
    body: str,
    replace: bool = False,
    now: datetime | None = None,
) -> Accepted:
    """Add the `limits` (Limit) of `run` (its path below the folder of the file) to the file at `path`; make the file
    if it is missing.

    A limit of the same key (kind, body, lens, focal length, technique, region, criterion) with another value is
    only replaced with `replace=True`; without it LimitsError shows old, new and the difference in stops, and
    nothing is written. One of the same value counts as unchanged, and now names the new run. A file with limits
    of another body is refused, and so is a run that lies outside of the file's folder.
    """
    path = Path(path)
    if folder_inside(path.parent, run) is None:
        raise LimitsError(
            "the run lies outside of the folder of the limits file",
            where=path,
            got=shown(run),
            needed="a run's path below that folder",
            fix="keep the run in the folder of its kit",
        )
    moment = (now or datetime.now(UTC)).replace(microsecond=0)
    with alone_with(path):
        return _accepted(path, run, tuple(limits), body=body, replace=replace, moment=moment)


@contextmanager
def alone_with(path: Path) -> Iterator[None]:
    """Have others wait who want to change the limits file at `path`: each must see what the one before has written.

    Its folder is made if need be. Raises ResultsError.
    """
    from kitgauge.atomic import alone_in, make_folders, unwritable

    try:
        make_folders(path.parent)
    except OSError as error:
        raise unwritable(path, error) from error
    with alone_in(path.parent):
        yield


def _accepted(path: Path, run: str, limits: Sequence[Any], *, body: str, replace: bool, moment: datetime) -> Accepted:
    document, old_file = _document(path)
    known = list(old_file.limits)
    others = sorted({old.body for old in known if old.body != body})
    if others:
        raise LimitsError(
            "the limits file belongs to another body",
            where=path,
            got=body,
            needed=", ".join(others),
            fix="accept into the folder of this body's own kit (leave --kit out, or name another)",
        )
    added: list[AcceptedLimit] = []
    replaced: list[tuple[AcceptedLimit, AcceptedLimit, Difference]] = []
    unchanged: list[AcceptedLimit] = []
    refreshed = False
    for limit in limits:
        new = AcceptedLimit(limit=limit, body=body, run=run, accepted_at=moment)
        # what cannot be read back must not be written
        entry_from_dict(entry_as_dict(new), where=f"limit of {run}")
        index = next((i for i, old in enumerate(known) if old.key == new.key), None)
        if index is None:
            known.append(new)
            added.append(new)
            cast(Any, document["limit"]).append(_table(new))
        elif _same_numbers(known[index].limit.value, limit.value):
            unchanged.append(new)
            if known[index].run != new.run:
                known[index] = new
                refreshed = True
                _update(cast(Any, document["limit"])[index], new)
        else:
            replaced.append((known[index], new, compare(known[index].limit, limit)))
            known[index] = new
            _update(cast(Any, document["limit"])[index], new)
    if replaced and not replace:
        raise LimitsError(
            "accepted limits would be replaced",
            where=path,
            got="\n          ".join(
                f"old: {old.describe()}; new: {new.describe()}; difference {difference.text}"
                for old, new, difference in replaced
            ),
            fix="add --replace to take the new one",
        )
    if added or replaced or refreshed:
        _write(path, document.as_string())
    return Accepted(path, tuple(added), tuple(replaced), tuple(unchanged))


def _same_numbers(old: Mapping[str, float], new: Mapping[str, float]) -> bool:
    return old.keys() == new.keys() and all(math.isclose(old[name], new[name], rel_tol=1e-9) for name in old)


def drop(path: Path | str, which: Sequence[int]) -> tuple[AcceptedLimit, ...]:
    """Remove the limits numbered `which` (1 = first in the file) and return them.

    Raises LimitsError if there is no limit of such a number; nothing is written then.
    """
    from kitgauge.atomic import alone_in

    path = Path(path)
    with alone_in(path.parent):
        return _dropped(path, which)


def _dropped(path: Path, which: Sequence[int]) -> tuple[AcceptedLimit, ...]:
    document, old_file = _document(path)
    wrong = [number for number in which if not 1 <= number <= len(old_file.limits)]
    if wrong or not which:
        listing = "; ".join(f"{i}: {limit.describe()}" for i, limit in enumerate(old_file.limits, 1))
        raise LimitsError(
            "no such accepted limit",
            where=path,
            got=", ".join(map(str, wrong)) or "no number",
            needed=listing or "a file with limits in it; this one has none",
            fix="give numbers as listed by `kitgauge limits`",
        )
    numbers = sorted(set(which))
    for number in reversed(numbers):
        del cast(Any, document["limit"])[number - 1]
    _write(path, document.as_string())
    return tuple(old_file.limits[number - 1] for number in numbers)


def _document(path: Path) -> tuple[tomlkit.TOMLDocument, LimitsFile]:
    """Return the file for editing, checked, with a `limit` list in it; a new one if there is none."""
    import tomlkit

    limits_file = read_limits(path)
    if path.exists():
        try:
            document = tomlkit.parse(path.read_text(encoding="utf-8-sig"))
        except (tomlkit.exceptions.TOMLKitError, ValueError, RecursionError) as error:
            # read without fault above: its form is one that cannot be kept when it is written
            raise LimitsError(
                "the limits file cannot be changed by kitgauge in this form",
                where=path,
                got=error,
                needed="a file as kitgauge writes it",
                fix="write it plainly, or move it away and accept the limits again from their runs",
            ) from error
    else:
        document = tomlkit.document()
        for line in _HEADER:
            document.add(tomlkit.comment(line))
        document["schema"] = SCHEMA
    if "limit" not in document or not limits_file.limits:
        document.pop("limit", None)
        document["limit"] = tomlkit.aot()
    elif not isinstance(document["limit"], tomlkit.items.AoT):
        raise LimitsError(
            "the limits file cannot be changed by kitgauge in this form",
            where=f"{path}, key limit",
            got="limit = [...]",
            needed="each limit under its own [[limit]] line",
            fix="rewrite the list as [[limit]] tables",
        )
    return document, limits_file


def _table(limit: AcceptedLimit) -> Any:
    import tomlkit

    table = tomlkit.table()
    for key, value in entry_as_dict(limit).items():
        table[key] = _item(value)
    return table


def _update(table: Any, limit: AcceptedLimit) -> None:
    """Set the values of an existing table in place, which keeps its comments."""
    values = entry_as_dict(limit)
    for key in [key for key in table if key not in values]:
        del table[key]
    for key, value in values.items():
        if key not in table or table[key] != value:
            table[key] = _item(value)


def _item(value: Any) -> Any:
    """Return a TOML item; a mapping is written on one line."""
    import tomlkit

    if not isinstance(value, dict):
        return tomlkit.item(value)
    table = tomlkit.inline_table()
    for key, inner in value.items():
        table[key] = _item(inner)
    return table


def _write(path: Path, text: str) -> None:
    """Write `text` to `path` in one step: whole or not at all."""
    from kitgauge.atomic import write_atomically

    try:
        text.encode()
    except UnicodeEncodeError as error:  # half of a sign, as the damaged file of a run may hold it
        raise LimitsError(
            "a text of these limits cannot be written",
            where=path,
            got=shown(text[max(error.start - 20, 0) : error.end]),
            needed="signs that UTF-8 can hold",
            fix="run the protocol again",
        ) from None
    write_atomically(path, text)
