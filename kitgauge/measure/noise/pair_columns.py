"""Many pairs of one plane, kept column by column: a tenth of the memory of as many objects.

A pair is made anew whenever it is asked for. What is the same in all pairs is kept once.
Functions that need one field of all pairs, or change one, take and give any sequence of pairs.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields, replace
from itertools import repeat
from typing import Any, Generic, TypeVar, overload

from kitgauge.measure.noise.dark_pair import DarkPair
from kitgauge.measure.noise.photon_transfer import FlatPair

P = TypeVar("P", FlatPair, DarkPair)

_FLOAT, _INT = "d", "i"  # of `array`; no count of samples needs more than 32 bits
# types of the fields of a pair, as their annotations name them; the first of each two is one value, the other several
_CODES = {"float": _FLOAT, "int": _INT, "bool": _INT, "tuple[float, ...]": _FLOAT, "tuple[int, ...]": _INT}
_NAMES = "tuple[str, ...]"


def _types(kind: type[FlatPair] | type[DarkPair]) -> dict[str, str]:
    """Return field -> annotation of a kind of pair."""
    return {one.name: str(one.type) for one in fields(kind)}


class _Single:
    """One value per pair; a single one as long as all are the same."""

    def __init__(self, annotation: str) -> None:
        self.values = array(_CODES[annotation])
        self.count = 0
        self.is_bool = annotation == "bool"

    def append(self, value: Any) -> None:
        if self.is_bool:
            value = int(value)
        if self.count and len(self.values) == 1 and not _same(self.values[0], value):
            self.values *= self.count
        if not self.count or len(self.values) > 1 or not _same(self.values[0], value):
            self.values.append(value)
        self.count += 1

    def __getitem__(self, index: int) -> Any:
        value = self.values[index if len(self.values) > 1 else 0]
        return bool(value) if self.is_bool else value

    def __iter__(self) -> Iterator[Any]:
        values = self.values if len(self.values) == self.count else repeat(self.values[0], self.count)
        return map(bool, values) if self.is_bool else iter(values)

    def plain(self) -> Any:
        return self.values

    def restore(self, values: Any, count: int) -> None:
        self.values = _as_array(self.values.typecode, values)
        self.count = count


def _same(one: float, other: float) -> bool:
    """Tell whether two numbers are the same, NaN and the sign of zero included."""
    if one == other:
        return one != 0 or math.copysign(1.0, one) == math.copysign(1.0, other)
    return one != one and other != other


class _Several:
    """A tuple of numbers per pair, of any length."""

    def __init__(self, annotation: str) -> None:
        self.values = array(_CODES[annotation])
        self.ends = array(_INT)

    def append(self, value: Sequence[Any]) -> None:
        self.values.extend(value)
        self.ends.append(len(self.values))

    def __getitem__(self, index: int) -> tuple[Any, ...]:
        return tuple(self.values[self.ends[index - 1] if index else 0 : self.ends[index]])

    def __iter__(self) -> Iterator[tuple[Any, ...]]:
        return map(self.__getitem__, range(len(self.ends)))

    def plain(self) -> Any:
        return {"values": self.values, "ends": self.ends}

    def restore(self, values: Any, count: int) -> None:
        assert len(values["ends"]) == count
        self.values = _as_array(self.values.typecode, values["values"])
        self.ends = _as_array(_INT, values["ends"])


class _Names:
    """A tuple of names per pair; few different ones."""

    def __init__(self) -> None:
        self.different: dict[tuple[str, ...], int] = {}
        self.listed: list[tuple[str, ...]] = []
        self.numbers = array(_INT)

    def append(self, value: Sequence[str]) -> None:
        names = tuple(value)
        number = self.different.get(names)
        if number is None:
            number = self.different[names] = len(self.listed)
            self.listed.append(names)
        self.numbers.append(number)

    def __getitem__(self, index: int) -> tuple[str, ...]:
        return self.listed[self.numbers[index]]

    def __iter__(self) -> Iterator[tuple[str, ...]]:
        return map(self.listed.__getitem__, self.numbers)

    def plain(self) -> Any:
        return {"different": [list(names) for names in self.listed], "numbers": self.numbers}

    def restore(self, values: Any, count: int) -> None:
        assert len(values["numbers"]) == count
        self.listed = [tuple(names) for names in values["different"]]
        self.different = {names: number for number, names in enumerate(self.listed)}
        self.numbers = _as_array(_INT, values["numbers"])


def _as_array(code: str, values: Any) -> array[Any]:
    """Return an array as it is, anything else as one: what was measured need not be there twice."""
    return values if isinstance(values, array) and values.typecode == code else array(code, values)


_Column = _Single | _Several | _Names


def _column(annotation: str) -> _Column:
    if annotation == _NAMES:
        return _Names()
    return _Several(annotation) if annotation.startswith("tuple") else _Single(annotation)


class PairColumns(Sequence[P], Generic[P]):
    """Pairs of one kind, as a sequence."""

    def __init__(self, kind: type[P], pairs: Iterable[P] = ()) -> None:
        """Keep `pairs`, all of `kind`."""
        self._kind: type[P] = kind
        self._count = 0
        self._columns = {name: _column(annotation) for name, annotation in _types(kind).items()}
        for pair in pairs:
            self.append(pair)

    def append(self, pair: P) -> None:
        """Add one pair."""
        for name, column in self._columns.items():
            column.append(getattr(pair, name))
        self._count += 1

    def __len__(self) -> int:
        return self._count

    @overload
    def __getitem__(self, index: int) -> P: ...

    @overload
    def __getitem__(self, index: slice) -> tuple[P, ...]: ...

    def __getitem__(self, index: int | slice) -> P | tuple[P, ...]:
        if isinstance(index, slice):
            return tuple(self._made(at) for at in range(*index.indices(self._count)))
        if not -self._count <= index < self._count:
            raise IndexError(index)
        return self._made(index % self._count)

    def __iter__(self) -> Iterator[P]:
        return (self._kind(*values) for values in zip(*self._columns.values(), strict=True))

    def _made(self, index: int) -> P:
        values: list[Any] = [column[index] for column in self._columns.values()]
        return self._kind(*values)

    def column(self, name: str) -> list[Any]:
        """Return one field of all pairs."""
        return list(self._columns[name])

    def with_fields(self, values: Mapping[str, Iterable[Any]]) -> PairColumns[P]:
        """Return the pairs with other values of some fields, one per pair; all else is shared."""
        changed = PairColumns(self._kind)
        changed._count = self._count
        changed._columns = dict(self._columns)
        for name, new in values.items():
            changed._columns[name] = column = _column(_types(self._kind)[name])
            for value in new:
                column.append(value)
        return changed

    def as_dict(self) -> dict[str, Any]:
        """Return the columns as arrays (of one value where it is the same in all pairs)."""
        return {"count": self._count, "columns": {name: column.plain() for name, column in self._columns.items()}}

    @classmethod
    def from_dict(cls, kind: type[P], values: Mapping[str, Any]) -> PairColumns[P]:
        """Return the pairs that `as_dict` wrote, in the same memory: nothing is to be appended to them."""
        pairs = cls(kind)
        pairs._count = int(values["count"])
        for name, column in pairs._columns.items():
            column.restore(values["columns"][name], pairs._count)
        return pairs


def values_of(pairs: Sequence[P], name: str) -> list[Any]:
    """Return one field of all pairs."""
    return pairs.column(name) if isinstance(pairs, PairColumns) else [getattr(pair, name) for pair in pairs]


def with_values(pairs: Sequence[P], **values: Sequence[Any]) -> Sequence[P]:
    """Return the pairs with other values of some fields, one per pair."""
    if isinstance(pairs, PairColumns):
        return pairs.with_fields(values)
    return tuple(
        replace(pair, **{name: column[index] for name, column in values.items()}) for index, pair in enumerate(pairs)
    )
