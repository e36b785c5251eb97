"""Limits files written by hand with values that no camera, lens or person has: one plain error, at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from kitgauge.errors import LimitsError
from kitgauge.limits.entries import AcceptedLimit
from kitgauge.limits.store import accept, read_limits
from kitgauge.planner.command import plan_from_results

ISO = """schema = 1
[[limit]]
kind = "iso"
body = "Invented One"
iso = 4500.0
stderr_stops = 0.1
ci_low = 4000.0
run = "noise-1"
accepted_at = 2026-05-01
criterion = { snr = 10.0, output_mp = 8.0 }
"""
SHUTTER = """schema = 1
[[limit]]
kind = "shutter"
body = "Invented One"
shutter_s = 0.02
focal_mm = 50.0
run = "hand-1"
accepted_at = 2026-05-01
criterion = { streak_px = 5.0, keep = 0.8 }
"""
F_NUMBER = """schema = 1
[[limit]]
kind = "f_number"
body = "Invented One"
f_number_low = 2.8
f_number_high = 8.0
run = "aperture-1"
accepted_at = 2026-05-01
criterion = { mtf50_fraction = 0.9 }
"""


@pytest.mark.parametrize(
    ("text", "old", "new", "says"),
    [
        (SHUTTER, "keep = 0.8", "keep = 8.0", "between 0 and 1"),
        (SHUTTER, "keep = 0.8", "keep = 1.0", "between 0 and 1"),
        (SHUTTER, "keep = 0.8", "keep = 1e-320", "key keep"),
        (SHUTTER, "streak_px = 5.0", "streak_px = 1e9", "key streak_px"),
        (SHUTTER, "0.02", "1e-300", "key shutter_s"),
        (SHUTTER, "50.0", "1e200", "key focal_mm"),
        (SHUTTER, "50.0", "nan", "key focal_mm"),
        (ISO, "snr = 10.0", "snr = 1e300", "key snr"),
        (ISO, "output_mp = 8.0", "output_mp = 0", "key output_mp"),
        (ISO, "4500.0", "1" + "0" * 400, "more than 15 digits"),
        (ISO, "4500.0", "1" + "0" * 5000, "not valid TOML"),  # more digits than Python turns into a number
        (ISO, "4500.0", "0x" + "f" * 6000, "more than 15 digits"),
        (ISO, "stderr_stops = 0.1", "stderr_stops = 1e300", "key stderr_stops"),
        (ISO, "ci_low = 4000.0", "ci_low = 1e-300", "key ci_low"),
        (ISO, "2026-05-01", "0001-01-01", "1980 to 2200"),
        (ISO, "2026-05-01", "9999-12-31T23:59:59-12:00", "1980 to 2200"),
        (ISO, "4500.0", "[" * 5000, "not valid TOML"),
        (ISO, '"noise-1"', "[" * 5000 + "]" * 5000, "not valid TOML"),
        (ISO, "schema = 1", "schema = 0x" + "f" * 6000, "newer kitgauge"),
        (F_NUMBER, "8.0", "1e200", "key f_number_high"),
        (F_NUMBER, "2.8", "1e-200", "key f_number_low"),
        (F_NUMBER, "0.9", "1.0", "between 0 and 1"),
    ],
)
def test_a_plan_names_what_cannot_be(tmp_path: Path, text: str, old: str, new: str, says: str) -> None:
    path = tmp_path / "invented-one" / "limits.toml"
    path.parent.mkdir()
    assert old in text
    path.write_text(text)
    assert plan_from_results(tmp_path, light="ev6").text()  # sound as it stands
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(LimitsError) as caught:
        plan_from_results(tmp_path, light="ev6")
    message = caught.value.message()
    assert says in message
    assert str(path) in message
    assert "fix:" in message
    assert len(message) < 1500


def test_a_run_name_that_no_file_can_have_leaves_the_limit(tmp_path: Path) -> None:
    (tmp_path / "invented-one").mkdir()
    for name in ("\\u0000", "x" * 5000):
        (tmp_path / "invented-one" / "limits.toml").write_text(ISO.replace("noise-1", name))
        assert plan_from_results(tmp_path, light="ev6").as_dict()["basis"]["noise"] == "measured run"


def test_a_form_that_cannot_be_kept_is_not_written_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import tomlkit
    from tomlkit.exceptions import ParseError

    def refuse(_: object) -> None:
        raise ParseError(3, 7)

    path = tmp_path / "limits.toml"
    path.write_text(ISO)
    known: AcceptedLimit = read_limits(path).limits[0]
    monkeypatch.setattr(tomlkit, "parse", refuse)
    with pytest.raises(LimitsError, match="cannot be changed by kitgauge in this form"):
        accept(path, "noise-2", [known.limit], body="Invented One")
    assert path.read_text() == ISO
