"""The still frames of a scene, which blurred ones are compared with: tiles of the first, found again in the others.

The power of the still scene comes free of noise from the cross spectra of several frames; of a single one, noise as
seen at the highest frequencies is subtracted. Frames are taken in one after the other, so that none is in memory longer
than its turn.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import reduce
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.blur.scene_matching import REDUCED, MatchedTiles, register_tiles, tile_around
from kitgauge.measure.blur.scene_registration import Registration
from kitgauge.measure.blur.scene_tiles import SceneFrame, Spectrum, choose_tiles, frequencies, noise_shape, spectrum

Array = NDArray[np.float64]

LEAST_TILES = 4
_SIZES = (512, 256, 128)  # sides of tiles [px]; the first that leaves enough of them
_MOST_TILES = 24
_HIGHEST = 0.2  # cycles/pixel: beyond, gaps between green samples alias
_LOWEST_BINS = 1.5  # of a tile's frequency step: below, the flattened part is too weak
_DETAIL = 4.0  # power of the scene over its error, for a frequency to be used
_LEAST_BINS = 200
_STEADY_SHARE = 0.8  # of tiles that must agree, for a still frame to join the reference
_KEPT = 0.27  # cycles/pixel: all that is ever looked at


@dataclass(frozen=True)
class SceneReference:
    """The still frames: chosen tiles (top, left) of side `size`, and where each frame has them.

    `stills` are the frames in order, None where one shows another scene; `members` the numbers of those that the
    reference consists of. `reduced` is the picture that others are registered to, `wanted` the pattern's positions
    that are measured, `usable` (row, column) the frequencies with detail above noise. Flags say why nothing can be
    compared with it.
    """

    shape: tuple[int, int]
    wanted: NDArray[np.bool_]
    size: int
    tiles: tuple[tuple[int, int], ...]
    reduced: NDArray[np.float32]
    stills: tuple[MatchedTiles | None, ...]
    members: tuple[int, ...]
    usable: NDArray[np.bool_]
    flags: tuple[str, ...] = ()

    @property
    def spectra(self) -> tuple[Spectrum, ...]:
        """The spectra of each member's tiles, (tile, row, column)."""
        return tuple(still.spectra for still in self._members())

    @property
    def noise(self) -> float:
        """Mean variance of a sample's noise in the members [DN^2]."""
        return float(np.mean([still.noise for still in self._members()]))

    def _members(self) -> list[MatchedTiles]:
        return [still for number in self.members if (still := self.stills[number]) is not None]

    def without(self, number: int) -> SceneReference:
        """Return the reference without one of the still frames, which can then be measured against the others."""
        return replace(self, members=tuple(member for member in self.members if member != number))

    def power(self) -> Array:
        """Return the power of the still scene, free of noise, (tile, row, column)."""
        spectra = self.spectra
        count = len(spectra)
        own = sum(np.abs(one).astype(np.float64) ** 2 for one in spectra)
        if count == 1:
            return np.asarray(own - self.noise * noise_shape(self.wanted, self.size))
        total = np.abs(sum(one.astype(np.complex128) for one in spectra)) ** 2
        return np.asarray((total - own) / (count * (count - 1)))

    def as_dict(self) -> dict[str, Any]:
        """Return plain values; of spectra, what lies within the frequencies that are used."""
        return {
            "shape": list(self.shape),
            "wanted": self.wanted.tolist(),
            "size": self.size,
            "tiles": [list(tile) for tile in self.tiles],
            "reduced": _text(self.reduced),
            "reduced_shape": list(self.reduced.shape),
            "stills": [self._plain(still) for still in self.stills],
            **self._what_joining_changes(),
        }

    def last_as_dict(self) -> dict[str, Any]:
        """Return plain values of what the last still frame has changed, for `with_last`."""
        return {"still": self._plain(self.stills[-1]), **self._what_joining_changes()}

    def _what_joining_changes(self) -> dict[str, Any]:
        usable = _text(np.packbits(self.usable))
        return {"members": list(self.members), "usable": usable, "flags": list(self.flags)}

    def _plain(self, still: MatchedTiles | None) -> dict[str, Any] | None:
        return None if still is None else _plain(still, self.size)

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> SceneReference:
        """Return what `as_dict` was made of."""
        size = int(values["size"])
        return cls(
            shape=(int(values["shape"][0]), int(values["shape"][1])),
            wanted=np.array(values["wanted"], dtype=bool),
            size=size,
            tiles=tuple((int(top), int(left)) for top, left in values["tiles"]),
            reduced=_array(values["reduced"], np.float32).reshape(values["reduced_shape"]),
            stills=tuple(None if one is None else _matched(one, size) for one in values["stills"]),
            members=tuple(values["members"]),
            usable=_usable(values["usable"], size),
            flags=tuple(values["flags"]),
        )

    def with_last(self, values: Mapping[str, Any]) -> SceneReference:
        """Return the reference with one more still frame, from `last_as_dict` of what `extended` made of this one."""
        still = None if values["still"] is None else _matched(values["still"], self.size)
        return replace(
            self,
            stills=(*self.stills, still),
            members=tuple(values["members"]),
            usable=_usable(values["usable"], self.size),
            flags=tuple(values["flags"]),
        )


def begin_reference(frame: SceneFrame) -> SceneReference:
    """Return the reference that a first still frame makes: the one in which tiles are chosen.

    With flag "scene-poor" where there is too little detail to measure with.
    """
    size, tiles = _SIZES[-1], list[tuple[int, int]]()
    for side in _SIZES:
        chosen = choose_tiles(frame, side, _MOST_TILES if side < 512 else _MOST_TILES // 2)
        if len(chosen) >= (8 if side > _SIZES[-1] else LEAST_TILES):
            size, tiles = side, chosen
            break
    empty = np.zeros((size, size // 2 + 1), dtype=bool)
    reduced = frame.reduced(REDUCED)
    if not tiles:
        return SceneReference(frame.shape, frame.wanted, size, (), reduced, (None,), (), empty, ("scene-poor",))
    spectra = np.stack([spectrum(tile_around(frame, top, left, size), size) for top, left in tiles])
    noise = float(np.mean([frame.noise_variance(top, left, size) for top, left in tiles]))
    every = np.ones(len(tiles), dtype=bool)
    own = MatchedTiles(Registration(np.eye(2, 3), 1.0), spectra, noise, every, every)
    return _judged(SceneReference(frame.shape, frame.wanted, size, tuple(tiles), reduced, (own,), (0,), empty))


def extended(reference: SceneReference, frame: SceneFrame) -> SceneReference:
    """Return the reference with another still frame, which joins it where most of its tiles agree."""
    found = None
    if reference.members and frame.shape == reference.shape:
        own = reference.spectra[0]
        found = register_tiles(own, frame, reference.reduced, reference.tiles, still=True)
    stills = (*reference.stills, found)
    joins = found is not None and np.count_nonzero(found.agree) > _STEADY_SHARE * len(reference.tiles)
    if not joins:
        return replace(reference, stills=stills)
    return _judged(replace(reference, stills=stills, members=(*reference.members, len(stills) - 1)))


def scene_reference(frames: Iterable[SceneFrame]) -> SceneReference:
    """Return the reference from one or more still frames of one size, taken one after the other."""
    rest = iter(frames)
    return reduce(extended, rest, begin_reference(next(rest)))


def _judged(reference: SceneReference) -> SceneReference:
    """Return the reference with the frequencies that its members can be used at."""
    fy, fx = frequencies(reference.size)
    radius = np.hypot(fy, fx)
    band = (radius <= _HIGHEST) & (radius > _LOWEST_BINS / reference.size)
    band &= (fx > 0) | (fy > 0)  # the other half is its conjugate
    shape = noise_shape(reference.wanted, reference.size)
    detail = np.mean(reference.power(), axis=0)
    detail = cv2.blur(np.asarray(detail, dtype=np.float32), (3, 3))
    count = len(reference.tiles) * len(reference.members)
    usable = np.asarray(band & (detail > _DETAIL * reference.noise * shape / math.sqrt(count)))
    flags = ("scene-poor",) if np.count_nonzero(usable) < _LEAST_BINS else ()
    return replace(reference, usable=usable, flags=flags)


def _usable(text: str, size: int) -> NDArray[np.bool_]:
    rows, columns = size, size // 2 + 1
    return np.unpackbits(_array(text, np.uint8), count=rows * columns).reshape(rows, columns).astype(bool)


def _kept(size: int) -> NDArray[np.bool_]:
    return np.asarray(np.hypot(*frequencies(size)) <= _KEPT)


def _text(values: NDArray[Any]) -> str:
    return base64.b64encode(np.ascontiguousarray(values).tobytes()).decode("ascii")


def _array(text: str, kind: type[np.generic]) -> NDArray[Any]:
    return np.frombuffer(base64.b64decode(text), dtype=kind)


def _plain(still: MatchedTiles, size: int) -> dict[str, Any]:
    return {
        "matrix": still.registration.matrix.tolist(),
        "correlation": still.registration.correlation,
        "spectra": _text(still.spectra[:, _kept(size)]),
        "noise": still.noise,
        "whole": still.whole.tolist(),
        "agree": still.agree.tolist(),
    }


def _matched(values: Mapping[str, Any], size: int) -> MatchedTiles:
    kept = _kept(size)
    whole: Sequence[bool] = values["whole"]
    spectra = np.zeros((len(whole), *kept.shape), dtype=np.complex64)
    spectra[:, kept] = _array(values["spectra"], np.complex64).reshape(len(whole), -1)
    registration = Registration(np.array(values["matrix"], dtype=np.float64), float(values["correlation"]))
    return MatchedTiles(
        registration,
        spectra,
        float(values["noise"]),
        np.array(whole, dtype=bool),
        np.array(values["agree"], dtype=bool),
    )
