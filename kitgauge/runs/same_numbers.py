"""Two results files side by side: every number, mark and text of the one against the other."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

# Other versions of a library may round otherwise in the last digits, and a fit ends where its steps get small.
RELATIVE_TOLERANCE = 1e-6
# sentences for people, and pictures: made from the numbers, and free to be worded or coded otherwise by other versions
_SAID = frozenset({"text", "notes", "missing", "reason", "reasons", "advice", "png", "jpeg", "source"})


@dataclass(frozen=True)
class Difference:
    """One value that is not the same: where it stands in the file, what it was, what it is now (JSON values)."""

    path: str
    then: Any
    now: Any

    @property
    def relative(self) -> float:
        """The size of the difference of two numbers against the larger one, NaN of anything else."""
        if not (_is_number(self.then) and _is_number(self.now)):
            return math.nan
        largest = max(abs(self.then), abs(self.now))
        return abs(self.then - self.now) / largest if largest > 0 else 0.0


@dataclass(frozen=True)
class Comparison:
    """How many numbers were compared, how many of them are the same to the last bit, and what is not the same."""

    numbers: int
    equal: int
    differences: tuple[Difference, ...]
    largest_relative: float  # difference among the numbers that count as the same


def compare_values(then: Any, now: Any, tolerance: float = 0.0) -> Comparison:
    """Compare two contents of JSON; with `tolerance` 0 everything must be equal to the last bit.

    Else numbers may differ by that share of the larger, sentences for people are left out, and so is what the older
    one does not have.
    """
    numbers = equal = 0
    largest = 0.0
    differences: list[Difference] = []
    for path, one, other in _pairs(then, now, "", tolerance > 0.0):
        if _is_number(one):
            numbers += 1
            if _is_number(other) and one == other:
                equal += 1
                continue
            difference = Difference(path, one, other)
            if difference.relative <= tolerance:
                largest = max(largest, difference.relative)
            else:
                differences.append(difference)
        elif type(one) is not type(other) or one != other:
            differences.append(Difference(path, one, other))
    return Comparison(numbers, equal, tuple(differences), largest)


class _Nothing:
    """Stands for a value that is not there."""

    def __repr__(self) -> str:
        return "nothing"


NOTHING = _Nothing()


def _pairs(then: Any, now: Any, path: str, lenient: bool) -> Iterator[tuple[str, Any, Any]]:
    """Yield (where, then, now) of every value that is neither an object nor a list; `NOTHING` where one has none."""
    if isinstance(then, Mapping) and isinstance(now, Mapping):
        for key in dict.fromkeys((*then, *now)):
            if lenient and (key in _SAID or key not in then):
                continue
            inner = f"{path}.{key}" if path else str(key)
            yield from _pairs(then.get(key, NOTHING), now.get(key, NOTHING), inner, lenient)
    elif _is_list(then) and _is_list(now):
        if len(then) != len(now):
            yield f"{path}, how many", len(then), len(now)
            return
        for index, (one, other) in enumerate(zip(then, now, strict=True)):
            yield from _pairs(one, other, f"{path}[{index}]", lenient)
    else:
        yield path, then, now


def _is_list(value: Any) -> bool:
    return isinstance(value, Sequence) and not isinstance(value, str | bytes)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
