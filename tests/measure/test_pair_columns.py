"""Pairs kept column by column: what comes back is what was given, to the last bit, in a fraction of the memory."""

from __future__ import annotations

import json
import math
import pickle
import struct
import tracemalloc
from array import array
from dataclasses import asdict, fields, replace

import numpy as np
import pytest

from kitgauge.ingest.cache import MeasurementCache
from kitgauge.measure.noise.dark_pair import DarkPair, measure_dark_pair
from kitgauge.measure.noise.noise_fit import PlanePairs
from kitgauge.measure.noise.noise_points import noise_points
from kitgauge.measure.noise.pair_columns import PairColumns, values_of, with_values
from kitgauge.measure.noise.photon_transfer import FlatPair, measure_flat_pair
from kitgauge.measure.noise.transfer_rows import photon_transfer_rows

SHAPE = (64, 96)


def bits(value):
    """Return a value so that NaN equals NaN and 0.0 differs from -0.0."""
    if isinstance(value, float):
        return struct.pack("<d", math.nan if math.isnan(value) else value)
    if isinstance(value, (tuple, list)):
        return tuple(bits(item) for item in value)
    return type(value), value


def same(one, other):
    return {name: bits(value) for name, value in asdict(one).items()} == {
        name: bits(value) for name, value in asdict(other).items()
    }


@pytest.fixture(scope="module")
def flats():
    rng = np.random.default_rng(1)
    levels = (900.0, 900.0, 4000.0, 16100.0)  # the last one clips: other flags, and numbers that others have not
    pairs = []
    for level in levels:
        a, b = (np.clip(rng.normal(level, math.sqrt(level / 2), SHAPE).round(), 0, 16383) for _ in range(2))
        pairs.append(measure_flat_pair(a.astype(np.uint16), b.astype(np.uint16), 512.0, 16383.0))
    return pairs


@pytest.fixture(scope="module")
def darks():
    rng = np.random.default_rng(2)
    pairs = []
    for sigma in (0.3, 2.5, 40.0):  # narrow noise and many codes; noise too wide for them
        a, b = (rng.normal(512.0, sigma, SHAPE).round().astype(np.uint16) for _ in range(2))
        pairs.append(measure_dark_pair(a, b))
    return pairs


def test_pairs_come_back_as_they_were(flats, darks):
    odd = replace(flats[0], ratio=-0.0, shot_dn=math.nan, spectrum=(), flags=("a", "b"), reference_frames=7)
    zeros = [replace(odd, ratio=0.0), odd]  # all but the sign of one number is the same, and kept once
    for kind, pairs in ((FlatPair, [*flats, *zeros]), (FlatPair, zeros), (FlatPair, []), (DarkPair, darks)):
        kept = PairColumns(kind, pairs)
        assert len(kept) == len(pairs) and [pair.flags for pair in kept] == [pair.flags for pair in pairs]
        assert all(same(one, other) for one, other in zip(kept, pairs, strict=True))
        assert all(same(one, other) for one, other in zip(kept[1:], pairs[1:], strict=True))
        assert all(same(kept[index], pair) for index, pair in enumerate(pairs))
        with pytest.raises(IndexError):
            kept[len(pairs)]


def test_every_field_differs_somewhere_and_is_kept(flats):
    # whatever field a pair has, a value of its own in the second of three pairs comes back there and nowhere else
    for item in fields(FlatPair):
        value = getattr(flats[0], item.name)
        other = ("other",) if item.name == "flags" else (0.5, 0.25) if item.name == "spectrum" else 12345
        pairs = [flats[0], replace(flats[0], **{item.name: other}), flats[0]]
        kept = values_of(PairColumns(FlatPair, pairs), item.name)
        assert kept[1] == other and bits(kept[0]) == bits(kept[2]) == bits(value)


def test_they_go_to_other_processes_and_to_the_cache_and_back(flats, darks, tmp_path):
    cache = MeasurementCache(tmp_path)
    measurement = {
        "flats": PairColumns(FlatPair, flats).as_dict(),
        "darks": PairColumns(DarkPair, darks).as_dict(),
    }
    cache.put("ab12", measurement)
    (path,) = tmp_path.rglob("*.json.gz")
    for found in (pickle.loads(pickle.dumps(measurement)), MeasurementCache(tmp_path).get("ab12")):
        assert found is not None and path.exists()
        back = [*PairColumns.from_dict(FlatPair, found["flats"]), *PairColumns.from_dict(DarkPair, found["darks"])]
        assert all(same(one, other) for one, other in zip(back, [*flats, *darks], strict=True))
    assert json.dumps(measurement, default=array.tolist)  # nothing but plain values and arrays


def test_other_values_of_a_field_leave_the_rest_and_the_original(flats):
    kept = PairColumns(FlatPair, flats)
    flags = [("clipped",) if index == 2 else pair.flags for index, pair in enumerate(flats)]
    wells = [float(index) for index in range(len(flats))]
    for changed in (
        with_values(kept, flags=flags, full_well_dn=wells),
        with_values(flats, flags=flags, full_well_dn=wells),
    ):
        for index, pair in enumerate(changed):
            assert same(pair, replace(flats[index], flags=flags[index], full_well_dn=wells[index]))
    assert values_of(kept, "flags") == values_of(flats, "flags") == [pair.flags for pair in flats]


def test_points_and_rows_are_those_of_pairs_as_objects(flats, darks):
    # a pair that is made anew each time must not be taken for another: rows tell which pairs served
    planes = [PlanePairs(colour, tuple(flats), tuple(darks[1:2])) for colour in ("R", "G1", "G2", "B")]
    columns = [
        replace(plane, flats=PairColumns(FlatPair, plane.flats), darks=PairColumns(DarkPair, plane.darks))
        for plane in planes
    ]
    wanted, found = (photon_transfer_rows(100.0, one) for one in (planes, columns))
    assert found == wanted and any(row["used"] for row in found) and any(row["reason"] for row in found)
    points = [noise_points(100.0, one) for one in (planes, columns)]
    assert all(same(one, other) for one, other in zip(*points, strict=True))
    assert any(point.gain_e_per_dn > 0 for point in points[0])


def test_a_thousand_pairs_take_little_memory(flats, darks):
    rng = np.random.default_rng(3)
    tracemalloc.start()
    try:
        before = tracemalloc.get_traced_memory()[0]
        kept_flats, kept_darks = PairColumns(FlatPair), PairColumns(DarkPair)
        for _ in range(1000):
            numbers = {item.name: rng.random() for item in fields(FlatPair) if str(item.type) == "float"}
            spectrum = tuple(rng.random(16).tolist())
            kept_flats.append(replace(flats[0], **numbers, spectrum=spectrum))
            numbers = {item.name: rng.random() for item in fields(DarkPair) if str(item.type) == "float"}
            kept_darks.append(replace(darks[1], **numbers))
        taken = tracemalloc.get_traced_memory()[0] - before
    finally:
        tracemalloc.stop()
    # 8 bytes a number, some 40 of them and 16 of the spectrum; as objects a pair takes 2 to 4 kB
    assert taken / 2000 < 600
