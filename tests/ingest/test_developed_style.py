"""How developed pictures were made, and which of them stay together."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from developed_charts import save_developed

from kitgauge.frames.opening import open_frame
from kitgauge.ingest.developed_style import developed_style, difference, one_style, pictures_beside_raw
from kitgauge.ingest.record import FrameRecord

JPEG = {"kind": "JPEG", "encoding": "sRGB"}


def record(number: int, *, raw: bool = False, f_number: float = 4.0) -> FrameRecord:
    return FrameRecord(f"{number}", Path(f"{number}"), is_raw=raw, f_number=f_number).used("edge", "f/4")


def picked(*styles: dict[str, str]) -> tuple[list[str], list[str]]:
    records = [record(number) for number in range(len(styles))]
    kept, notes = one_style(records, {str(number): {"style": style} for number, style in enumerate(styles)})
    return [r.file for r in kept if r.status == "used"], notes


@pytest.mark.parametrize(("name", "bits", "kind"), [("a.jpg", 8, "JPEG"), ("a.tif", 16, "TIFF")])
def test_style_is_read_from_the_file(tmp_path, name, bits, kind) -> None:
    light = np.random.default_rng(1).uniform(0.1, 0.6, (64, 96))
    save_developed(tmp_path / name, light, bits=bits, iso=100, sharpness=2 if bits == 8 else None)
    style = developed_style(tmp_path / name, open_frame(tmp_path / name))
    assert style is not None and style["kind"] == kind and "sRGB" in style["encoding"]
    assert style.get("sharpness") == ("hard" if bits == 8 else None)


def test_most_of_a_kind_stay_and_the_others_are_told() -> None:
    assert picked(JPEG, JPEG, JPEG) == (["0", "1", "2"], [])
    kept, (note,) = picked({**JPEG, "kind": "TIFF"}, JPEG, JPEG)
    assert kept == ["1", "2"] and note.startswith("1 of 3 developed pictures were made otherwise")
    # of equally many the first
    assert picked({**JPEG, "program": "A"}, {**JPEG, "program": "B"})[0] == ["0"]


def test_difference_in_words() -> None:
    assert (
        difference({**JPEG, "sharpness": "hard"}, {**JPEG, "sharpness": "normal"}) == "sharpness hard instead of normal"
    )
    assert difference(JPEG, {**JPEG, "program": "A"}) == "written by not recorded instead of A"
    assert difference({**JPEG, "kind": "TIFF"}, JPEG) == "TIFF instead of JPEG"


def test_raw_frames_have_no_style_and_pictures_beside_them_are_told() -> None:
    frames = [record(1, raw=True), record(2).unmatched("why"), record(3, f_number=8.0).unmatched("why")]
    kept, notes = one_style(frames, {"1": {"style": None}})
    assert list(kept) == frames and notes == []
    (said,) = pictures_beside_raw(frames)
    assert said.startswith("2 developed pictures beside 1 raw frame") and "(f/8: developed pictures only" in said
    assert pictures_beside_raw(frames[1:]) == [] and pictures_beside_raw(frames[:1]) == []
