"""Runs named in a limits file: none outside of the kit's folder is opened, the limit stands, and it is said."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from kitgauge.card.kit import read_card_kit
from kitgauge.cli import app
from kitgauge.errors import LimitsError, ResultsError
from kitgauge.limits.commands import show_limits
from kitgauge.limits.entries import AcceptedLimit
from kitgauge.limits.run_folders import folder_inside, run_folders
from kitgauge.limits.store import accept, read_limits
from kitgauge.planner.command import answer, plan_from_results
from kitgauge.review.kit import Kits

BODY = "Invented One"
SAID = "the curves behind them are not read"


@pytest.fixture
def kit(tmp_path: Path) -> Path:
    """The folder of a kit, with a run of its own, and beside it what must not be opened: that would be an error."""
    folder = tmp_path / "results" / "invented-one"
    (folder / "own").mkdir(parents=True)
    (folder / "own" / "curves.json").write_text(json.dumps({"schema": 1, "kit": {"sensor_pixels": 24e6}}))
    for outside in (tmp_path / "secret", tmp_path / "results" / "invented-two" / "run"):
        outside.mkdir(parents=True)
        (outside / "curves.json").write_text("not for reading")
    return folder


def write_limits(kit: Path, *runs: str) -> Path:
    entries = "".join(
        f'[[limit]]\nkind = "iso"\nbody = "{BODY}"\niso = 4500.0\nrun = {json.dumps(run)}\n'
        f"accepted_at = 2026-05-{number:02d}\ncriterion = {{ snr = 10.0, output_mp = {number}.0 }}\n"
        for number, run in enumerate(runs, 1)
    )
    (kit / "limits.toml").write_text(f"schema = 1\n{entries}")
    return kit / "limits.toml"


OUTSIDE = {
    "absolute": "{root}/secret",
    "absolute and inside": "{root}/results/invented-one/own",
    "up": "../../secret",
    "up from a folder that is there": "own/../../../secret",
    "another kit": "../invented-two/run",
    "link to a folder": "linked",
    "link in the middle": "half/secret",
    "link to the curves": "linked-curves",
    "links in a circle": "circle",
    "zero byte": "own\0",
    "line break": "own\n/etc",
    "drive": "C:\\secret",
    "drive, relative": "C:secret",
    "server": "\\\\server\\share\\secret",
    "server, forward": "//server/share/secret",
    "device": "\\\\.\\pipe\\x",
    "backslashes": "..\\..\\secret",
    "stream": "own:hidden",
    "empty": "",
}


@pytest.fixture(params=OUTSIDE, ids=lambda name: name.replace(" ", "-"))
def outside(request: pytest.FixtureRequest, kit: Path, tmp_path: Path) -> str:
    (kit / "linked").symlink_to(tmp_path / "secret")
    (kit / "half").symlink_to(tmp_path)
    (kit / "linked-curves").mkdir()
    (kit / "linked-curves" / "curves.json").symlink_to(tmp_path / "secret" / "curves.json")
    (kit / "circle").symlink_to(kit / "circle")
    return OUTSIDE[request.param].format(root=tmp_path)


def test_what_lies_outside_is_not_opened_and_the_limit_stands(kit: Path, outside: str) -> None:
    file = read_limits(write_limits(kit, outside, "own"))
    found = run_folders(file)
    assert found.folders == {"own": kit / "own"}
    (note,) = found.notes
    assert SAID in note and "kitgauge limits accept RUN" in note and note.isprintable()
    plan = plan_from_results(kit.parent, light="ev6")
    assert plan.as_dict()["basis"]["noise"] == "measured run"
    assert [item for item in plan.as_dict()["cautions"] if SAID in item] == [note]
    assert "4500" in show_limits(kit.parent, None)


def test_every_command_that_uses_limits_says_it(kit: Path, tmp_path: Path) -> None:
    write_limits(kit, f"{tmp_path}/secret")
    results = kit.parent
    told = {
        "limits": show_limits(results, None),
        "plan": plan_from_results(results, light="ev6").text(),
        "table": answer(results, None, {}, {}, table=True).text(),
        "auto-iso": answer(results, None, {}, {}, auto_iso=True).text(),
        "review": Kits(results).for_body(BODY).note,
        "review, file": Kits(results, limits_file=kit / "limits.toml").for_body(BODY).note,
        "card": " ".join(read_card_kit(results, focals_mm=(50.0,)).notes),
    }
    for name, text in told.items():
        words = " ".join(text.split())
        assert SAID in words and f"{tmp_path}/secret" in words, name
    for options in ({"table": True}, {"auto_iso": True}):
        assert SAID in answer(results, None, {}, {}, **options).as_dict()["cautions"][0]
    card = read_card_kit(results, focals_mm=(50.0,))
    assert not any(SAID in item for item in card.plan(card.optics[0]).cautions)  # once for the card, not in each cell
    done = CliRunner().invoke(app, ["plan", "--light", "ev6", "--results", str(results)])
    assert done.exit_code == 0 and SAID in " ".join(done.output.split())


def test_what_lies_inside_is_read_and_needs_no_word(kit: Path) -> None:
    (kit / "deep" / "er").mkdir(parents=True)
    (kit / "deep" / "er" / "curves.json").write_text(json.dumps({"schema": 1, "kit": {"pixel_pitch_um": 4.5}}))
    (kit / "alias").symlink_to(kit / "own")  # stays inside
    names = ("own", "deep/er", "alias", "gone", "x" * 5000, "..hidden", "a..b")
    file = read_limits(write_limits(kit, *names))
    assert run_folders(file).notes == () and tuple(run_folders(file).folders) == names
    noise = Kits(kit.parent).for_body(BODY)
    assert (noise.model.sensor_pixels, noise.model.pixel_pitch_um) == (24e6, 4.5)
    assert plan_from_results(kit.parent, light="ev6").cautions == ()


def test_a_kit_folder_that_is_a_link_itself_serves(kit: Path, tmp_path: Path) -> None:
    write_limits(kit, "own")
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "invented-one").symlink_to(kit)
    assert plan_from_results(tmp_path / "elsewhere", light="ev6").cautions == ()
    assert folder_inside(tmp_path / "elsewhere" / "invented-one", "own") is not None


PARTS = st.sampled_from(
    ["..", ".", "a", "/", "//", "\\", ":", "\0", "~", "%2e%2e", "..;", "．．", "\u202e", " ", "..."]
)


@given(st.one_of(st.text(), st.lists(PARTS, max_size=8).map("".join), st.lists(PARTS, max_size=8).map("/".join)))
def test_no_text_whatever_leads_out(run: str) -> None:
    kit = Path(__file__).resolve().parent / "no such folder"
    found = folder_inside(kit, run)
    # as the system itself goes: part by part
    assert found is None or os.path.normpath(f"{kit}/{run}/curves.json").startswith(f"{kit}/")


def test_damage_inside_is_an_error_as_ever(kit: Path) -> None:
    (kit / "own" / "curves.json").write_text("damaged")
    write_limits(kit, "own")
    with pytest.raises(ResultsError, match="not valid JSON"):
        plan_from_results(kit.parent, light="ev6")


def test_no_way_out_is_ever_written(kit: Path, outside: str) -> None:
    path = write_limits(kit, "own")
    before = path.read_bytes()
    known: AcceptedLimit = read_limits(path).limits[0]
    with pytest.raises(LimitsError, match="lies outside of the folder of the limits file"):
        accept(path, outside, [known.limit], body=BODY)
    assert path.read_bytes() == before
