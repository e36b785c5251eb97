"""The limits file: round trip, hand edits, damage, and writing that is whole or not at all."""

from __future__ import annotations

import errno
import math
import os
import random
from datetime import UTC, datetime
from pathlib import Path

import pytest

from kitgauge.errors import KitgaugeError, LimitsError, ResultsError
from kitgauge.limits.entries import AcceptedLimit
from kitgauge.limits.model import Limit
from kitgauge.limits.store import accept, drop, read_limits

NOON = datetime(2026, 5, 1, 12, 0, tzinfo=UTC)


def shutter_limit(shutter_s: float = 0.02, **changes: object) -> Limit:
    values: dict[str, object] = {
        "kind": "shutter",
        "value": {"shutter_s": shutter_s},
        "dial": {"shutter_s": 1 / 60},
        "ci_low": shutter_s * 0.9,
        "ci_high": shutter_s * 1.2,
        "criterion": {"streak_px": 4.8, "keep": 0.8},
        "text": "1/50 s keeps 80 %",
        "stderr_stops": 0.1,
        "lens": "Invented 50 mm",
        "focal_mm": 50.0,
        "technique": "standing",
        "flags": ("pitch-unknown",),
        "extra": {"streak_mrad": 0.5, "parts": [1, 2], "unknown": None},
    }
    return Limit(**{**values, **changes})  # type: ignore[arg-type]


def iso_limit(iso: float = 4500.0) -> Limit:
    return Limit(
        kind="iso",
        value={"iso": iso},
        dial={"iso": 4000.0},
        ci_low=math.nan,
        ci_high=math.nan,
        criterion={"snr": 10.0, "output_mp": 8.0},
        text="ISO 4000",
    )


def f_number_limit() -> Limit:
    return Limit(
        kind="f_number",
        value={"f_number_low": 3.1, "f_number_high": 9.4},
        dial={"f_number_low": 3.2, "f_number_high": 9.0},
        ci_low=2.9,
        ci_high=10.0,
        criterion={"mtf50_fraction": 0.9},
        text="f/3.2 to f/9",
        lens="Invented 50 mm",
        focal_mm=50.0,
        region="centre",
    )


@pytest.fixture
def limits_file(tmp_path: Path) -> Path:
    path = tmp_path / "results" / "invented-one" / "limits.toml"
    accept(path, "handheld-1", [shutter_limit(), iso_limit(), f_number_limit()], body="Invented One", now=NOON)
    return path


def test_missing_file_holds_no_limits(tmp_path: Path) -> None:
    assert read_limits(tmp_path / "limits.toml").limits == []


def test_round_trip_keeps_every_value(limits_file: Path) -> None:
    shutter, iso, f_number = read_limits(limits_file).limits
    assert shutter.body == "Invented One"
    assert shutter.run == "handheld-1"
    assert shutter.accepted_at == NOON
    wanted = shutter_limit(extra={"streak_mrad": 0.5, "parts": [1, 2]})  # None has no place in TOML: it is left out
    assert shutter.limit == wanted
    assert f_number.limit.value == {"f_number_low": 3.1, "f_number_high": 9.4}
    assert math.isnan(f_number.limit.stderr_stops)
    assert math.isnan(iso.limit.ci_low)
    assert iso.limit.lens is None


def test_unknown_numbers_are_left_out_and_never_zero(limits_file: Path) -> None:
    text = limits_file.read_text()
    assert "nan" not in text
    assert " 0\n" not in text
    assert text.count("ci_low") == 2  # shutter and f-number; that of the ISO limit is unknown


def test_accepting_the_same_again_changes_nothing(limits_file: Path) -> None:
    before = limits_file.read_bytes()
    done = accept(limits_file, "handheld-1", [shutter_limit()], body="Invented One")
    assert len(done.unchanged) == 1
    assert not done.added
    assert not done.replaced
    assert limits_file.read_bytes() == before


def test_new_limit_never_replaces_silently(limits_file: Path) -> None:
    before = limits_file.read_bytes()
    with pytest.raises(LimitsError, match="would be replaced") as caught:
        accept(limits_file, "handheld-2", [shutter_limit(0.04)], body="Invented One")
    message = caught.value.message()
    assert "+1.00 ± 0.14 stops" in message  # log2(0.04/0.02) and sqrt(2) x 0.1
    assert "--replace" in message
    assert "1/50 s" in message
    assert limits_file.read_bytes() == before


def test_replace_on_request_keeps_the_others_and_the_place(limits_file: Path) -> None:
    done = accept(limits_file, "handheld-2", [shutter_limit(0.04)], body="Invented One", replace=True)
    ((old, new, difference),) = done.replaced
    assert (old.run, new.run) == ("handheld-1", "handheld-2")
    assert difference.stops == pytest.approx(1.0)
    kinds = [(item.limit.kind, item.run) for item in read_limits(limits_file).limits]
    assert kinds == [("shutter", "handheld-2"), ("iso", "handheld-1"), ("f_number", "handheld-1")]


@pytest.mark.parametrize(
    "other",
    [
        shutter_limit(technique="seated"),
        shutter_limit(focal_mm=85.0),
        shutter_limit(lens="Invented 85 mm"),
        shutter_limit(criterion={"streak_px": 4.8, "keep": 0.9}),
        shutter_limit(region="centre"),
    ],
)
def test_another_circumstance_is_another_limit(limits_file: Path, other: Limit) -> None:
    done = accept(limits_file, "handheld-2", [other], body="Invented One")
    assert len(done.added) == 1
    assert len(read_limits(limits_file).limits) == 4


def test_limits_of_two_bodies_do_not_mix(limits_file: Path) -> None:
    before = limits_file.read_bytes()
    with pytest.raises(LimitsError, match="another body") as caught:
        accept(limits_file, "noise-2", [iso_limit()], body="Invented Two", replace=True)
    assert "Invented One" in caught.value.message()
    assert limits_file.read_bytes() == before


def test_comments_and_order_of_a_hand_edit_survive(limits_file: Path) -> None:
    text = limits_file.read_text().replace('technique = "standing"', 'technique = "standing"  # elbows in')
    limits_file.write_text("# my own note\n" + text + "\n# the end\n")
    accept(limits_file, "handheld-2", [shutter_limit(0.04)], body="Invented One", replace=True)
    accept(limits_file, "handheld-3", [shutter_limit(technique="seated")], body="Invented One")
    drop(limits_file, [2])
    edited = limits_file.read_text()
    assert edited.startswith("# my own note\n")
    assert "# elbows in" in edited
    assert "# the end" in edited
    assert [item.limit.kind for item in read_limits(limits_file).limits] == ["shutter", "f_number", "shutter"]


def test_drop_by_number_and_drop_of_the_last(limits_file: Path) -> None:
    (dropped,) = drop(limits_file, [2])
    assert dropped.limit.kind == "iso"
    drop(limits_file, [1, 2])
    assert read_limits(limits_file).limits == []
    done = accept(limits_file, "again", [iso_limit()], body="Invented One")
    assert len(done.added) == 1
    assert len(read_limits(limits_file).limits) == 1


@pytest.mark.parametrize("numbers", [[0], [4], [1, 9], []])
def test_drop_of_a_number_that_is_not_there(limits_file: Path, numbers: list[int]) -> None:
    before = limits_file.read_bytes()
    with pytest.raises(LimitsError, match="no such accepted limit"):
        drop(limits_file, numbers)
    assert limits_file.read_bytes() == before


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("schema = 1", "schema = 2"), ("newer kitgauge", "got:    2", "upgrade")),
        (("schema = 1", ""), ("does not say its schema", "schema = 1")),
        (("schema = 1", 'schema = "1"'), ("does not say its schema",)),
        (("schema = 1", "schema = 1\nowner = 3"), ("unknown key", "key owner")),
        (('technique = "standing"', "technique = standing"), ("not valid TOML", "line")),
        (('technique = "standing"', "technik = 3"), ("unknown key", "limit 1, key technik")),
        (('technique = "standing"', "technique = 3"), ("a text was needed", "key technique", "got:    3")),
        (("shutter_s = 0.02", 'shutter_s = "fast"'), ("a number was needed", "key shutter_s", "'fast'")),
        (("shutter_s = 0.02", "shutter_s = -0.02"), ("impossible", "key shutter_s", "-0.02")),
        (("shutter_s = 0.02", "shutter_s = inf"), ("impossible", "key shutter_s")),
        (("shutter_s = 0.02", "shutter_s = true"), ("a number was needed", "True")),
        (("shutter_s = 0.02\n", "\n"), ("a key is missing", "key shutter_s")),
        (('kind = "shutter"', 'kind = "speed"'), ("unknown kind", "'speed'")),
        (('body = "Invented One"', ""), ("a key is missing", "key body")),
        (("ci_low = 0.018", "ci_low = 0.2"), ("upside down", "key ci_low")),
        (("f_number_low = 3.1", "f_number_low = 31"), ("lies above", "limit 3")),
        (("keep = 0.8", 'keep = "most"'), ("a number was needed", "criterion, key keep")),
        (("criterion = {snr = 10.0, output_mp = 8.0}", "criterion = 10"), ("a table was needed", "limit 2")),
        (('flags = ["pitch-unknown"]', 'flags = ["nonsense"]'), ("unknown flag", "nonsense")),
        (("accepted_at = 2026-05-01T12:00:00Z", 'accepted_at = "May"'), ("a date was needed", "'May'")),
    ],
)
def test_damage_is_named_with_file_key_value_and_fix(
    limits_file: Path, change: tuple[str, str], says: tuple[str, ...]
) -> None:
    text = limits_file.read_text()
    assert change[0] in text
    limits_file.write_text(text.replace(change[0], change[1], 1))
    with pytest.raises(LimitsError) as caught:
        read_limits(limits_file)
    message = caught.value.message()
    assert str(limits_file) in message
    assert "fix:" in message
    for part in says:
        assert part in message


def test_any_damage_is_an_error_for_a_reader_and_never_a_traceback(limits_file: Path) -> None:
    rng = random.Random(6)
    whole = limits_file.read_bytes()
    lines = whole.decode().splitlines()
    values = ["nan", "-1", "0", '""', "[]", "{}", "true", "1e400", "2026-05-01", "[[1]]", '"x"', "12:00:00"]
    refused = 0
    for trial in range(400):
        if trial % 2:
            broken = bytearray(whole)
            for _ in range(rng.randint(1, 4)):
                broken[rng.randrange(len(broken))] = rng.randrange(256)
            limits_file.write_bytes(bytes(broken))
        else:
            number = rng.randrange(len(lines))
            key = lines[number].partition("=")[0]
            changed = [*lines[:number], f"{key}= {rng.choice(values)}", *lines[number + 1 :]]
            limits_file.write_text("\n".join(changed))
        try:
            read_limits(limits_file)
        except LimitsError as error:
            refused += 1
            assert error.fix
            assert error.where
    assert refused > 200  # most damage shows; the rest changed a text or a number into another possible one


def test_a_broken_file_is_not_overwritten(limits_file: Path) -> None:
    limits_file.write_text("schema = [")
    with pytest.raises(LimitsError, match="not valid TOML"):
        accept(limits_file, "run", [iso_limit()], body="Invented One")
    assert limits_file.read_text() == "schema = ["


def test_two_entries_for_one_thing_are_refused(limits_file: Path) -> None:
    text = limits_file.read_text()
    entry = text[text.index("[[limit]]") :]
    limits_file.write_text(text + "\n" + entry[: entry.index("[[limit]]", 5)])
    with pytest.raises(LimitsError, match="two limits for the same thing"):
        read_limits(limits_file)


def test_binary_rubbish_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "limits.toml"
    path.write_bytes(bytes(range(256)))
    with pytest.raises(LimitsError, match="not valid TOML"):
        read_limits(path)


def test_a_byte_order_mark_and_windows_lines_are_read(limits_file: Path) -> None:
    text = limits_file.read_text()
    limits_file.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert len(read_limits(limits_file).limits) == 3


def test_a_folder_in_the_place_of_the_file(tmp_path: Path) -> None:
    (tmp_path / "limits.toml").mkdir()
    with pytest.raises(ResultsError, match="cannot be read"):
        read_limits(tmp_path / "limits.toml")


@pytest.mark.parametrize("step", ["write", "flush to disk", "rename"])
def test_a_full_disk_leaves_the_old_file(limits_file: Path, monkeypatch: pytest.MonkeyPatch, step: str) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    before = limits_file.read_bytes()
    target = {"write": (os, "fdopen"), "flush to disk": (os, "fsync"), "rename": (Path, "replace")}[step]
    monkeypatch.setattr(target[0], target[1], full)
    with pytest.raises(ResultsError, match="No space left"):
        accept(limits_file, "handheld-2", [shutter_limit(technique="seated")], body="Invented One")
    monkeypatch.undo()
    assert limits_file.read_bytes() == before
    assert [path.name for path in limits_file.parent.iterdir()] == ["limits.toml"]


def test_a_file_in_the_place_of_the_folder(tmp_path: Path) -> None:
    (tmp_path / "kit").write_text("")
    with pytest.raises(KitgaugeError):
        accept(tmp_path / "kit" / "limits.toml", "run", [iso_limit()], body="Invented One")


def test_what_could_not_be_read_back_is_not_written(tmp_path: Path) -> None:
    path = tmp_path / "limits.toml"
    with pytest.raises(LimitsError, match="impossible"):
        accept(path, "run", [iso_limit(math.inf)], body="Invented One")
    assert not path.exists()


def test_description_names_setting_and_circumstances() -> None:
    described = AcceptedLimit(shutter_limit(), "Invented One", "run", NOON).describe()
    assert described == "slowest shutter 1/50 s (standing, Invented 50 mm, 50 mm)"
