"""Light from exposure value, lux, a metered triple and a frame."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from kitgauge.errors import KitgaugeError, PlanError, UsageError
from kitgauge.planner.light import FrameLight, parse_light


@pytest.mark.parametrize("text", ["ev9.5", "EV9.5", "ev 9.5", " 9.5 EV "])
def test_exposure_value(text: str) -> None:
    assert parse_light(text).ev100 == 9.5


def test_negative_exposure_value() -> None:
    assert parse_light("ev-3").ev100 == -3.0


def test_lux_by_the_incident_light_equation() -> None:
    # ISO 2720 (from memory): N^2/t = E S/C with C = 250 lx s, so that E = 2.5 lx is EV 0 at ISO 100
    assert parse_light("2.5lux").ev100 == pytest.approx(0.0)
    assert parse_light("2560 lx").ev100 == pytest.approx(10.0)


def test_sunny_sixteen() -> None:
    # Full sun, front lit: EV 15 at ISO 100, f/16 at 1/ISO (common practice, published/facts.md); with exact
    # settings
    # f/16 at 1/128 s and ISO 100 x 2^(1/3) is EV 8 + 7 - 1/3
    assert parse_light("1/125,f16,iso125").ev100 == pytest.approx(15 - 1 / 3)


@pytest.mark.parametrize("text", ["1/60,f4,iso800", "f/4, ISO 800, 1/60 s", "iso800,1/60s,f4.0", "1/60,F4,ISO800"])
def test_triple_in_any_order_uses_exact_settings(text: str) -> None:
    # 1/60 is 1/64 s: log2(16 x 64) - 3
    assert parse_light(text).ev100 == pytest.approx(7.0)


def test_triple_with_seconds_and_thirds() -> None:
    assert parse_light("2s,f5.6,iso100").ev100 == pytest.approx(4.0)  # 2^5/2
    assert parse_light("0.5s,f2.8,iso100").ev100 == pytest.approx(4.0)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "bright",
        "ev",
        "9.5",
        "800",
        "1/60,f4",
        "1/60,f4,800",
        "1/60,f4,iso800,iso100x",
        "ev9.5,f4",
        "nowhere.dng",
        "evnan",
        "luxinf",
    ],
)
def test_text_that_is_no_light(text: str) -> None:
    with pytest.raises(UsageError, match="not a light") as caught:
        parse_light(text)
    assert "800lux" in caught.value.message()


@pytest.mark.parametrize(
    "text", ["ev99", "ev-40", "0lux", "-5lux", "1e9lux", "99999999999lux", "0/60,f4,iso800", "1/60,f0,iso800"]
)
def test_light_that_cannot_be(text: str) -> None:
    with pytest.raises((PlanError, UsageError)) as caught:
        parse_light(text)
    assert "fix:" in caught.value.message()


LETTERS = st.text(alphabet="evluxisof/,.-+0123456789 s", max_size=40)


@given(st.one_of(st.text(), LETTERS, st.integers(1, 500).map(lambda n: "9" * n + "lux")))
@example("x" * 5000)
@example("1/60,f4,iso" + "9" * 400)
@example("1/" + "9" * 400 + ",f4,iso100")
@example("\0")
def test_any_text_is_a_light_or_a_plain_error(text: str) -> None:
    try:
        light = parse_light(text, lambda _: frame(0.1))
    except KitgaugeError as error:
        assert error.fix
    else:
        assert -15 <= light.ev100 <= 24


def frame(level: float, clipped: float = 0.0) -> FrameLight:
    return FrameLight(shutter_s=1 / 64, f_number=4.0, iso=800.0, level=level, clipped_share=clipped)


def test_frame_at_mid_grey_tells_its_settings(tmp_path: Path) -> None:
    path = tmp_path / "scene.dng"
    path.write_bytes(b"")
    # mid-grey lies at 10/78 of saturation: H_m = 10/S, H_sat = 78/S (ISO 12232, from memory)
    assert parse_light(str(path), lambda _: frame(10 / 78)).ev100 == pytest.approx(7.0)
    assert parse_light(str(path), lambda _: frame(20 / 78)).ev100 == pytest.approx(8.0)
    assert parse_light(str(path), lambda _: frame(5 / 78)).ev100 == pytest.approx(6.0)


def test_clipped_frame_warns_that_there_is_more_light(tmp_path: Path) -> None:
    path = tmp_path / "scene.dng"
    path.write_bytes(b"")
    light = parse_light(str(path), lambda _: frame(0.5, clipped=0.2))
    assert any(re.search("20 % .* clipped", text) for text in light.cautions)
    assert parse_light(str(path), lambda _: frame(0.1)).cautions == ()


@pytest.mark.parametrize("level", [0.0, -0.01, math.nan, 1.5])
def test_black_or_impossible_frame(tmp_path: Path, level: float) -> None:
    path = tmp_path / "scene.dng"
    path.write_bytes(b"")
    with pytest.raises(PlanError):
        parse_light(str(path), lambda _: frame(level))


@pytest.mark.parametrize("text", ["ev9,5", "EV 9,5", "9,5 ev"])
def test_a_decimal_comma(text: str) -> None:
    assert parse_light(text).ev100 == 9.5


@pytest.mark.parametrize("text", ["1/60 f4 iso800", "1/60 s f/4 ISO 800", "f 4 1/60s, iso 800", "1 / 60; f4; iso800"])
def test_triple_with_spaces(text: str) -> None:
    assert parse_light(text).ev100 == pytest.approx(7.0)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("9", "ev9, or 9lux"),
        ("9,5", "ev9.5, or 9.5lux"),
        ("1/60,4,800", "an f-number (f4) and an ISO (iso800) are missing"),
        ("1/60,f4", "an ISO (iso800) is missing"),
        ("f4 iso800", "a time (1/60) is missing"),
        ("nowhere.dng", "no such file"),
        ("frames/nowhere.jpg", "no such file"),
    ],
)
def test_what_is_missing_is_said(text: str, says: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_light(text)
    assert says in caught.value.message()


def test_a_text_file_and_a_folder_are_no_pictures(tmp_path: Path) -> None:
    path = tmp_path / "README.md"
    path.write_text("Not a picture.\n" * 100)
    with pytest.raises(PlanError, match="not a picture"):
        parse_light(str(path))
    with pytest.raises(UsageError, match="a folder, not a light"):
        parse_light(str(tmp_path))


def test_an_impossible_light_is_a_question_asked_wrongly() -> None:
    with pytest.raises(PlanError) as caught:
        parse_light("ev99")
    assert caught.value.exit_code == 2
