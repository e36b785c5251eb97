"""The settings file: what it takes, what it overrides, and every fault told with line and column."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kitgauge.errors import IngestError
from kitgauge.frames.metadata import FrameSettings
from kitgauge.frames.settings_file import COLUMNS, Overrides, apply, overrides_for, read_settings_file

HEADER = ",".join(COLUMNS) + "\n"


@pytest.fixture
def table(tmp_path):
    """Return table(text or bytes, frames=None) -> rows read from a file that holds it."""

    def read(content, frames=None):
        path = tmp_path / "settings.csv"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return read_settings_file(path, frames)

    return read


def faulty(table, content, *words, frames=None):
    with pytest.raises(IngestError) as caught:
        table(content, frames)
    for word in words:
        assert word in str(caught.value), str(caught.value)
    assert caught.value.fix
    assert "settings.csv" in caught.value.where


def test_all_columns(table):
    rows = table(HEADER + "a.dng,400,1/60,5.6,50,f/5.6\nb.dng,,0.5,,,\n")
    assert rows["a.dng"] == Overrides("a.dng", 2, 400, 1 / 60, 5.6, 50, "f/5.6")
    assert rows["b.dng"] == Overrides("b.dng", 3, None, 0.5, None, None, None)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_encodings_and_line_ends(table, encoding, newline):
    rows = table(f"file,f_number{newline}Blümchen 1.dng,4{newline}{newline}".encode(encoding))
    assert rows["Blümchen 1.dng"].f_number == 4


@pytest.mark.parametrize("separator", [";", "\t"])
def test_other_separators_and_decimal_commas(table, separator):
    rows = table(f"file{separator}f_number{separator}shutter_s\na.dng{separator}5,6{separator}0,5\n")
    assert (rows["a.dng"].f_number, rows["a.dng"].shutter_s) == (5.6, 0.5)


@pytest.mark.parametrize(
    ("cell", "expected"),
    [("1/60", 1 / 60), ("1/60 s", 1 / 60), ("0.5", 0.5), ("30", 30), (" 2 ", 2), ("1/1.6", 0.625)],
)
def test_shutter_cells(table, cell, expected):
    assert table(f"file,shutter_s\na.dng,{cell}\n")["a.dng"].shutter_s == expected


@pytest.mark.parametrize("cell", ["5.6", "f/5.6", "F5.6", "f 5.6"])
def test_f_number_cells(table, cell):
    assert table(f"file,f_number\na.dng,{cell}\n")["a.dng"].f_number == 5.6


def test_order_of_columns_is_free_and_names_may_hold_commas(table):
    rows = table('step,file\n"tripod, 1/60","a, b.dng"\n')
    assert rows["a, b.dng"].step == "tripod, 1/60"


def test_windows_paths(table):
    assert list(table("file,iso\nflat\\a.dng,100\n")) == ["flat/a.dng"]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", ["empty", "file,iso"]),
        ("\n\n", ["empty"]),
        ("file,iso,shuter_s\n", ["unknown column", "line 1", "shuter_s", "shutter_s"]),
        ("file,iso,\n", ["unknown column", "(blank)"]),
        ("file,iso,iso\n", ["twice", "column iso"]),
        ("iso,step\n100,flat\n", ["column that names the frames is missing", "line 1"]),
        ("file,iso\n,100\n", ["names no frame", "line 2"]),
        ("file,iso\na.dng,100\nb.dng,100\na.dng,200\n", ["a.dng is listed twice", "line 4", "line 2"]),
        ("file,iso\na.dng,-100\n", ["iso is not usable", "line 2", "column iso", "-100"]),
        ("file,iso\na.dng,0\n", ["iso is not usable"]),
        ("file,iso\na.dng,nan\n", ["iso is not usable"]),
        ("file,iso\na.dng,auto\n", ["iso is not usable", "auto", "400"]),
        ("file,iso\na.dng,1/60\n", ["iso is not usable"]),
        ("file,shutter_s\na.dng,1/0\n", ["shutter_s is not usable", "1/0"]),
        ("file,shutter_s\na.dng,-1/60\n", ["shutter_s is not usable"]),
        ("file,f_number\na.dng,0\n", ["f_number is not usable"]),
        ("file,focal_mm\na.dng,inf\n", ["focal_mm is not usable"]),
        ("file,iso\na.dng,100,200\n", ["more cells than the header", "line 2"]),
        ('file,iso\n"a.dng,100\n', ["not a table", "line"]),
        (b"file,iso\n\xff\xfe.dng,100\n", ["not UTF-8", "0xff"]),
    ],
)  # fmt: skip
def test_faults_are_told_with_their_place(table, content, words):
    faulty(table, content, *words)


def test_absent_file(tmp_path):
    with pytest.raises(IngestError, match="cannot be read"):
        read_settings_file(tmp_path / "absent.csv")


def test_rows_must_name_frames(table, tmp_path):
    frames = [tmp_path / "flat" / "a.dng", tmp_path / "b.dng"]
    assert len(table("file,iso\na.dng,100\nflat/a.dng,200\nb.dng,100\n", frames)) == 3
    faulty(table, "file,iso\nc.dng,100\n", "c.dng is not among the frames", "line 2", frames=frames)


def test_lookup_prefers_the_path(table, tmp_path):
    rows = table("file,iso\na.dng,100\nflat/a.dng,200\n")
    assert overrides_for(rows, tmp_path / "flat" / "a.dng", tmp_path).iso == 200
    assert overrides_for(rows, tmp_path / "dark" / "a.dng", tmp_path).iso == 100
    assert overrides_for(rows, tmp_path / "c.dng", tmp_path) is None


def test_apply_fills_and_overrides(tmp_path):
    recorded = FrameSettings(
        path=tmp_path / "a.dng", iso=100, shutter_s=1 / 60, missing={"f_number": "f/0", "lens": "no lens"}
    )
    found = apply(recorded, Overrides("a.dng", 2, iso=200, f_number=4))
    assert (found.iso, found.shutter_s, found.f_number) == (200, 1 / 60, 4)
    assert found.missing == {"lens": "no lens"}
    assert found.notes == {"iso": "from the settings file", "f_number": "from the settings file"}
    assert recorded.missing["f_number"] == "f/0"
    assert apply(recorded, None) is recorded


@settings(max_examples=80, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    content=st.one_of(st.binary(max_size=200), st.text(max_size=200).map(lambda text: ("file,iso\n" + text).encode()))
)
def test_any_content_is_read_or_refused(table, content):
    try:
        rows = table(content)
    except IngestError as error:
        assert error.fix
    else:
        for row in rows.values():
            assert row.iso is None or row.iso >= 1
