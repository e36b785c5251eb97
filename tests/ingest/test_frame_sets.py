"""The frames behind the pairs of a group: which belong to each pair, without naming any of them over and over."""

from __future__ import annotations

import math
import pickle

from kitgauge.ingest.frame_sets import FrameSets


def told(sets):
    """Return all files of each set, those of earlier sets first."""
    files: list[list[str]] = []
    for one in sets:
        files.append([*(() if one.earlier is None else files[one.earlier]), *one.files])
        assert len(files[-1]) == one.count
    return files


def test_every_set_has_its_files_and_each_is_named_once():
    names = [f"{number}.dng" for number in range(40)]
    wanted = [names[: count + 1] for count in range(1, 30)]
    wanted += [["x.dng", "y.dng"], names[30:32], ["x.dng", "y.dng", "z.dng"], names[30:33]]  # two stacks in turn
    sets = FrameSets()
    for files in wanted:
        sets.append(files, 1 / 60, None)
    back = FrameSets.from_dict(pickle.loads(pickle.dumps(sets.as_dict())))
    for one in (sets, back):
        assert told(one) == wanted and len(one) == len(wanted)
        assert sum(len(single.files) for single in one) == 30 + 3 + 3
        assert all(shutter == 1 / 60 and math.isnan(f_number) for shutter, f_number in one.settings())


def test_sets_of_other_frames_do_not_join():
    sets = FrameSets()
    sets.append(["a", "b"], 1.0, 4.0)
    sets.append(["c", "d", "e"], 1.0, 4.0)  # one frame more than the first, but others
    sets.append(["f", "g"], 0.5, 4.0)
    assert told(sets) == [["a", "b"], ["c", "d", "e"], ["f", "g"]]
    assert sets.settings() == ((1.0, 4.0), (1.0, 4.0), (0.5, 4.0))
