"""What a blur run found besides the hands: told once in the letter, and in numbers in a table."""

from __future__ import annotations

import math

from kitgauge.fit.blur.blur_constant import ConstantBlur
from kitgauge.measure.blur.camera_roll import CameraRoll
from kitgauge.measure.blur.shutter_shock import ShutterShock, StillTime
from kitgauge.report.blur_findings import finding_sentences, findings_table, notes_beside
from kitgauge.runs.blur_findings import constant_finding, roll_finding, shock_finding, unrest_finding

TIMES = tuple(StillTime(t, 2, 0.0, v, 0.0, 0.02) for t, v in ((1 / 256, 0.0), (1 / 32, 0.75), (1 / 4, 0.1)))
SHOCK = ShutterShock((1 / 32,), 3.0, 0.04, 1 / 32, 90.0, TIMES, 1 / 256)


def rolled(name: str, roll: float, **more: object) -> dict[str, object]:
    return {
        "file": name, "role": "handheld", "roll_mrad": roll, "roll_mrad_stderr": 0.1 * roll, "worst_px": 5.0,
        "worst_place": "top-left", "streak_px": 2.0, "bound_px": math.nan, "flags": [], **more,
    }  # fmt: skip


def test_entries_carry_size_unit_significance_and_text() -> None:
    entries = [
        shock_finding(SHOCK),
        roll_finding(
            [rolled("A.DNG", 2.0), rolled("B.DNG", 4.0), rolled("C.DNG", math.nan)],
            {name: CameraRoll(variance_z=z) for name, z in (("A.DNG", 5.0), ("B.DNG", 4.0), ("C.DNG", 0.0))},
        ),
        constant_finding(ConstantBlur(2.5, 12)),
        unrest_finding(math.inf, ["the 4 tripod frames differ among themselves"]),
    ]  # fmt: skip
    for entry in entries:
        assert entry is not None
        assert {"kind", "size", "size_stderr", "unit", "z", "probability", "text"} <= set(entry)
    shock, roll, _, unrest = entries
    assert shock is not None and roll is not None and unrest is not None
    assert shock["z"] == 3.0 / (2.0 * 0.04)  # L^2 = 12 T: T / dT = L / (2 dL)
    assert roll["size"] == 3.0
    assert roll["z"] == 9.0 / math.sqrt(3.0)
    assert math.isnan(unrest["size"])  # how much is not known


def test_roll_of_one_frame_among_many_is_chance() -> None:
    rows = [rolled("A.DNG", 2.0), *(rolled(f"{n}.DNG", math.nan) for n in range(30))]
    rolls = {"A.DNG": CameraRoll(variance_z=4.0)} | {f"{n}.DNG": CameraRoll(variance_z=0.0) for n in range(30)}
    assert roll_finding(rows, rolls) is None
    assert roll_finding(rows[:1], rolls) is not None


def test_told_once_and_tabulated() -> None:
    blur = {"findings": [shock_finding(SHOCK), constant_finding(ConstantBlur(2.5, 12))]}
    sentences = finding_sentences(blur)
    assert sentences[0].startswith("The shutter or the mirror")
    assert sentences[1].startswith("Blur that does not depend")
    assert notes_beside([blur["findings"][0]["text"], "another"], blur) == ["another"]
    table = findings_table(blur)
    assert table is not None
    assert table.rows[0] == ("shutter shock", "3.000 ± 0.040 px", "37.5", "under 0.0001")
    assert table.rows[1][1:] == ("2.5 px", "unknown", "unknown")


def test_nothing_found_and_damaged_entries() -> None:
    assert findings_table({}) is None
    assert finding_sentences({"findings": None}) == []
    table = findings_table({"findings": [{"size": "x", "z": None, "probability": "?"}]})
    assert table is not None
    assert table.rows == (("unknown", "not estimated", "unknown", "unknown"),)
