"""Folder names of kits: legal, readable, distinct, and never outside of the results."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitgauge.errors import UsageError
from kitgauge.limits.kit_folder import UNKNOWN_KIT, kit_folder, kit_folder_name, known_kits

LEGAL = set("abcdefghijklmnopqrstuvwxyz0123456789._-")


def test_ordinary_names_stay_readable() -> None:
    assert kit_folder_name("Invented One Mark II") == "invented-one-mark-ii"
    assert kit_folder_name("Invented One", "12345") == "invented-one-12345"


@pytest.mark.parametrize("nothing", [None, "", "   "])
def test_an_unknown_body_has_a_name_too(nothing: str | None) -> None:
    assert kit_folder_name(nothing) == UNKNOWN_KIT


@given(st.text(), st.one_of(st.none(), st.text()))
def test_any_name_is_one_legal_folder_inside_the_results(body: str, serial: str | None) -> None:
    name = kit_folder_name(body, serial)
    assert set(name) <= LEGAL
    assert 0 < len(name) < 100
    assert name[0] not in ".-"
    root = Path("/results").resolve()
    assert (root / name).resolve().parent == root
    assert kit_folder(root, name) == root / name


@pytest.mark.parametrize(
    "odd",
    ["../../etc/passwd", "a/b", "a\\b", "C:", "con", "NUL", "com1.x", "ÄÖÜ", "カメラ", "x" * 300, "a\x00b"],
)
def test_odd_names_become_safe_ones(odd: str) -> None:
    name = kit_folder_name(odd)
    assert set(name) <= LEGAL
    assert name.partition(".")[0] not in {"con", "nul", "com1"}


def test_names_that_differ_only_in_odd_characters_do_not_share_a_folder() -> None:
    names = ["One/Two", "One:Two", "One Two", "カメラ", "相機", "ONE+TWO", "Straße", "Strasse"]
    assert len({kit_folder_name(name) for name in names}) == len(names)


@pytest.mark.parametrize("outside", ["..", ".", "", "../x", "a/b", "/etc", "a\\b", "c:x", "a\x00", " a", "con", "NUL"])
def test_no_way_outside(outside: str) -> None:
    with pytest.raises(UsageError, match="not the name of a kit"):
        kit_folder("results", outside)


def test_known_kits_are_those_with_a_limits_file(tmp_path: Path) -> None:
    assert known_kits(tmp_path / "nowhere") == []
    for name in ("b", "a", "empty"):
        (tmp_path / name).mkdir()
    for name in ("b", "a"):
        (tmp_path / name / "limits.toml").write_text("schema = 1\n")
    assert known_kits(tmp_path) == ["a", "b"]
