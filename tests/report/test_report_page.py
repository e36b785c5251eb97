"""The HTML page: what it says, that it is self-contained, and that odd input never breaks it."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import matplotlib
import pytest
from report_samples import (
    blur_run,
    curves_record,
    frame,
    noise_run,
    practice_run,
    run_record,
    sharpness_run,
    write_run,
)

from kitgauge.errors import ResultsError
from kitgauge.flags import FLAGS
from kitgauge.report.page import write_report

_VOID = {"meta", "br", "hr", "img", "input", "link", "use", "path", "rect", "circle"}


class _Structure(HTMLParser):
    """Collects ids, figures and unbalanced tags."""

    def __init__(self) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.svgs: list[dict[str, str | None]] = []
        self.open: list[str] = []
        self.faults: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if given.get("id"):
            self.ids.append(str(given["id"]))
        if tag == "svg":
            self.svgs.append(given)
        if tag not in _VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in _VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        if tag in _VOID:
            return
        if not self.open or self.open.pop() != tag:
            self.faults.append(tag)

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.text += data


def read(path: Path) -> tuple[str, _Structure]:
    page = path.read_text(encoding="utf-8")
    structure = _Structure()
    structure.feed(page)
    structure.close()
    structure.text = re.sub(r"\s+", " ", structure.text)  # no-break spaces included
    return page, structure


RUNS = {"noise": noise_run, "sharpness": sharpness_run, "blur": blur_run, "practice": practice_run}


@pytest.fixture(scope="module")
def page_of(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """Return a function: kind of run -> its page in the run's folder, drawn once for the tests that only read it."""

    @cache
    def drawn(kind: str) -> Path:
        return write_report(RUNS[kind](tmp_path_factory.mktemp("drawn") / kind))

    return drawn


@pytest.fixture(params=RUNS)
def any_page(request: pytest.FixtureRequest, page_of: Callable[[str], Path]) -> Path:
    return page_of(request.param)


def test_page_is_one_self_contained_file(any_page: Path) -> None:
    path = any_page
    page, structure = read(path)
    assert path.name == "report.html"
    assert page.startswith("<!DOCTYPE html>")
    # nothing is fetched: no address but the SVG name spaces, which are names
    for attribute in ("src", "href", "action", "data"):
        for value in re.findall(rf'\b{attribute}="([^"]*)"', page):
            inside = value.startswith("#") or (attribute == "src" and value.startswith("data:image/png;base64,"))
            assert inside, f"{attribute}={value[:60]}"
    assert not re.search(r"url\((?!#)", page)
    assert "<script" not in page and "@import" not in page
    assert "http" not in page
    assert structure.faults == [] and structure.open == []
    assert len(structure.ids) == len(set(structure.ids)), "ids of figures collide"
    assert path.stat().st_size < 400_000
    assert sorted(p.name for p in path.parent.iterdir()) == [
        "curves.json",
        "frames.csv",
        "report.html",
        "run.json",
    ]


def test_every_figure_is_described_and_keeps_its_text(any_page: Path) -> None:
    _, structure = read(any_page)
    wanted = {"noise": 6, "sharpness": 8, "blur": 3, "practice": 0}[any_page.parent.name]
    assert len(structure.svgs) == wanted
    for svg in structure.svgs:
        assert svg["role"] == "img"
        assert len(svg["aria-label"] or "") > 40
        assert svg.get("viewbox") and "width" not in svg  # scales with the page
    labels = {
        "noise": [
            "read noise (electrons)",
            "SNR of one pixel at mid-grey",
            "second gain stage from ISO 800",
            "12800",
        ],
        "sharpness": ["MTF50 (cycles per pixel)", "ceiling: diffraction, pixel", "bottom-right", "5.6"],
        "blur": ["share of frames kept", "streak (pixels)", "streak limit, 4.8 px", "1/60", "10/10"],
        "practice": [],
    }[any_page.parent.name]
    for label in labels:
        assert label in structure.text, label


def test_letter_gives_limits_first_then_frames_curves_evidence_method(any_page: Path) -> None:
    _, structure = read(any_page)
    wanted = ["Your limits", "Your frames", "The curves", "The evidence", "How it was done",
              "What this does not cover", "Cautions"]  # fmt: skip
    if any_page.parent.name == "practice":
        wanted = ["Your limits", "Your frames", "The frames side by side", "How it was done", "Cautions"]
        assert "The evidence" not in structure.text  # it would hold nothing but the same frames once more
    places = [structure.text.index(heading) for heading in wanted]
    assert places == sorted(places)


def test_limit_has_sentence_interval_criterion_and_what_to_do(page_of: Callable[[str], Path]) -> None:
    _, structure = read(page_of("blur"))
    limits = structure.text.split("Your limits")[1].split("Your frames")[0]
    assert "Standing, at 50 mm, 80 % of your frames are sharp at 1/50 s or faster." in limits
    assert "The 95 % interval is 1/36 s to 1/28 s" in limits
    assert "set 1/50 s or faster" in limits
    # ln(0.05) / ln(0.2) = 1.86: two frames
    assert "2 frames in a row" in limits
    assert "Criterion: streaks of at most 4.8 px, 80 % of frames." in limits
    assert "shoot next: 8 frames at 1/60 s and 6 frames at 1/30 s" in limits


def test_interval_is_not_said_twice(tmp_path: Path) -> None:
    folder = noise_run(tmp_path)
    curves = json.loads((folder / "curves.json").read_text())
    curves["limits"][0]["text"] = "Up to ISO 25600 noise is acceptable (95 % interval 24900 to 26900)."
    (folder / "curves.json").write_text(json.dumps(curves))
    _, structure = read(write_report(folder))
    assert structure.text.count("95 % interval 24900 to 26900") == 1
    assert "The 95 % interval is" not in structure.text.split("In daylight and in lamp light")[0]


def test_range_of_f_numbers_tells_how_sure_both_ends_are(tmp_path: Path) -> None:
    folder = sharpness_run(tmp_path)
    curves = json.loads((folder / "curves.json").read_text())
    curves["limits"][0] |= {"f_number_low_ci": [2.9, 3.3], "f_number_high_ci": [9.1, 10.1]}
    (folder / "curves.json").write_text(json.dumps(curves))
    _, structure = read(write_report(folder))
    assert "it begins between f/2.9 and f/3.3, and ends between f/9.1 and f/10.1." in structure.text
    assert "it begins no lower than f/2.9 and ends no higher than f/10.1." in structure.text  # the other limit


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"flags": ["criterion-not-met"]}, None),
        ({"flags": ["ladder-too-fast"], "ci_high": None}, "1/50 s or slower"),
        ({"ci_high": None}, "With 95 % confidence it is 1/36 s or slower; the slower end is open."),
        ({"ci_low": None}, "With 95 % confidence it is 1/28 s or faster; the faster end is open."),
        ({"shutter_s": None, "shutter_s_dial": None}, "Slowest shutter speed, standing: unknown"),
    ],
)
def test_limits_that_are_open_or_not_met(change: dict[str, object], said: str | None, tmp_path: Path) -> None:
    folder = blur_run(tmp_path)
    curves = json.loads((folder / "curves.json").read_text())
    curves["limits"][0] |= change
    (folder / "curves.json").write_text(json.dumps(curves))
    _, structure = read(write_report(folder))
    if said is None or "unknown" in said:
        assert "What to do" not in structure.text
    if said is not None:
        assert said in structure.text


def test_blur_of_a_subject_is_not_put_on_the_hands(tmp_path: Path) -> None:
    folder = blur_run(tmp_path)
    path = folder / "curves.json"
    path.write_text(path.read_text().replace('"handheld"', '"subject"'))
    _, structure = read(write_report(folder))
    assert "set 1/50 s or faster for this subject" in structure.text
    assert "when you hold the camera" not in structure.text
    assert "subject, measured" in structure.text


def test_rejected_and_unmatched_frames_have_reason_and_advice(page_of: Callable[[str], Path]) -> None:
    _, structure = read(page_of("noise"))
    frames = structure.text.split("Your frames")[1].split("The curves")[0]
    assert "Of 38 frames, 36 used, 1 rejected and 1 left out." in frames
    assert f"{FLAGS['clipped'].text}. To do: {FLAGS['clipped'].advice}." in frames
    assert "A24_00200_flat0.DNG" in frames
    assert "its ISO 64 is on no step of the protocol" in frames and "A24_lunch.DNG" in frames
    assert "flat ISO 200: 1 frame rejected, 1 used." in frames
    assert frames.lower().count("expose less") == 1  # with the reason, not again with the step
    assert FLAGS["flicker"].text in frames and FLAGS["uneven-light"].advice in frames
    assert "no picture file" in frames and "notes.txt" in frames


def test_what_was_seen_on_a_rejected_frame_stands_behind_its_flag(tmp_path: Path) -> None:
    frames = [
        frame("a.dng", status="rejected", flags="no-edge black-from-metadata", reason="3 edges seen, none usable"),
        frame("b.dng", status="rejected", flags="no-edge", reason="no usable edge found"),
        frame("c.dng", status="rejected", reason="the camera's clock was wrong"),
        frame("d.dng", status="unmatched", flags="no-pair", reason="left without a partner"),
        frame("e.dng", status="unmatched"),
    ]
    run = run_record("x", status="partial", reason="no edge")
    _, structure = read(write_report(write_run(tmp_path, run, curves_record("x"), frames)))
    said = structure.text.split("What did not serve")[1].split("The evidence")[0]
    assert "2 frames: no usable edge found (3 edges seen, none usable). To do: fill the frame" in said
    assert said.count("no usable edge found") == 1
    assert "1 frame: the camera's clock was wrong. c.dng" in said
    assert "1 frame: left without a partner. d.dng" in said and "1 frame: no reason was recorded. e.dng" in said
    assert FLAGS["no-pair"].text in said


def test_failed_run_shows_its_whole_message(tmp_path: Path) -> None:
    message = "cannot write results\n  where:  out\n  fix:    free some space; or choose another folder"
    _, structure = read(write_report(write_run(tmp_path, run_record("x", status="failed", reason=message), None, None)))
    for line in ("cannot write results", "where: out", "fix: free some space; or choose another folder"):
        assert line in structure.text


def test_partial_run_says_so_with_every_reason(page_of: Callable[[str], Path]) -> None:
    _, structure = read(page_of("noise"))
    opening = structure.text.split("Your limits")[0]
    assert "This run is partial" in opening
    assert "flat ISO 200 has one frame" in opening and "no frames at ISO 51200" in opening


def test_unknown_is_said_and_never_zero(tmp_path: Path) -> None:
    folder = noise_run(tmp_path)
    curves = json.loads((folder / "curves.json").read_text())
    for point in curves["noise"]["points"]:
        point |= {
            "read_noise_e": None,
            "read_noise_e_stderr": None,
            "snr_midgrey": None,
            "dynamic_range_stops": None,
        }
    curves["noise"] = {"points": curves["noise"]["points"], "fit": None}
    curves["limits"][0] |= {"ci_low": None, "ci_high": None}
    (folder / "curves.json").write_text(json.dumps(curves))
    _, structure = read(write_report(folder))
    assert len(structure.svgs) == 0
    evidence = structure.text.split("The evidence")[1]
    assert evidence.count("unknown") >= 3 * len(curves["noise"]["points"])
    assert "How sure this is was not estimated." in structure.text


def test_standard_error_that_is_unknown_says_not_estimated(page_of: Callable[[str], Path]) -> None:
    _, structure = read(page_of("noise"))
    assert re.search(r"4\.\d+ ± not estimated", structure.text)  # read noise of red at ISO 200
    assert "520 ± not estimated" in structure.text  # a fitted parameter
    assert "± 0 " not in structure.text


def test_nan_written_as_nan_is_read_as_unknown(tmp_path: Path) -> None:
    folder = noise_run(tmp_path)
    curves = json.loads((folder / "curves.json").read_text())
    curves["noise"]["points"][0] |= {"gain_e_per_dn": float("nan"), "gain_e_per_dn_stderr": float("inf")}
    (folder / "curves.json").write_text(json.dumps(curves))
    _, structure = read(write_report(folder))
    assert not re.search(r"\bnan\b", structure.text.lower())
    assert "inf" not in re.findall(r"\binf\b", structure.text)


def test_markup_in_names_is_escaped(tmp_path: Path) -> None:
    evil = "<script>alert(1)</script>&\"' --> ]]>"
    kit = {"body": evil, "lens": f"<img src=x onerror=1>{evil}"}
    curves = curves_record("noise-ladder", kit=kit)
    curves["sharpness"] = {
        "points": [
            {
                "f_number": n,
                "region": evil,
                "x_norm": 0.5,
                "y_norm": 0.5,
                "orientation": "both",
                "channel": "G",
                "mtf50_cy_per_px": 0.3,
                "mtf50_cy_per_px_stderr": 0.01,
                "frames": 2,
                "flags": [evil],
            }
            for n in (4.0, 5.6, 8.0)
        ],
        "fit": {evil: {"parameters": {evil: {"value": 1, "stderr": 0.1, "unit": evil}}}},
        "findings": [{"kind": evil, "region": evil, "size": 1, "unit": evil, "z": 3, "text": evil}],
    }
    curves["limits"] = [
        {
            "kind": "f_number",
            "f_number_low": 4,
            "f_number_high": 8,
            "text": evil,
            "lens": evil,
            "criterion": {evil: 1},
            "region": evil,
            "flags": [evil],
        }
    ]
    run = run_record("noise-ladder", status="partial", reason=evil, notes=[evil], kit=kit, not_frames={evil: evil})
    frames = [frame(evil, step=evil, role=evil, status="rejected", flags=evil, reason=evil)]
    page, structure = read(write_report(write_run(tmp_path, run, curves, frames)))
    assert "<script" not in page and "<img" not in page
    assert "&lt;script&gt;" in page
    assert structure.faults == [] and structure.open == []
    assert len(structure.svgs) == 1
    assert "<!--" not in page  # a comment could be closed by a name


def test_dollar_signs_in_names_are_no_formulas(tmp_path: Path) -> None:
    folder = sharpness_run(tmp_path)
    curves = json.loads((folder / "curves.json").read_text())
    for point in curves["sharpness"]["points"]:
        if point["region"] == "top-left":
            point["region"] = r"$\frac{"
    (folder / "curves.json").write_text(json.dumps(curves))
    _, structure = read(write_report(folder))
    assert r"$\frac{" in structure.text


@pytest.mark.parametrize(
    "name",
    [
        'a b\'s "c" & <d>.DNG',
        "übung_été_写真.dng",
        "back\\slash;semi,comma|bar.dng",
        "x" * 240 + ".dng",
        "-rf.dng",
    ],
)
def test_odd_file_names_appear_as_they_are(name: str, tmp_path: Path) -> None:
    folder = write_run(
        tmp_path, run_record("noise-ladder", status="partial", reason="nothing measured"),
        curves_record("noise-ladder"), [frame(name, status="rejected", flags="unreadable", reason="cut off")],
    )  # fmt: skip
    _, structure = read(write_report(folder))
    assert re.sub(r"\s+", " ", name) in structure.text
    assert "the file cannot be decoded" in structure.text and "cut off" in structure.text


def test_a_sign_that_turns_what_follows_is_seen_and_turns_nothing(tmp_path: Path) -> None:
    """Else the name reads as another one, and the numbers behind it backwards."""
    folder = write_run(
        tmp_path, run_record("noise-ladder", status="partial", reason="nothing measured"),
        curves_record("noise-ladder"), [frame("\u202egnd.dng", status="rejected", flags="unreadable", iso=1600)],
    )  # fmt: skip
    page, structure = read(write_report(folder))
    assert "\ufffdgnd.dng" in structure.text and "\u202e" not in page


def test_file_name_that_is_no_valid_text(tmp_path: Path) -> None:
    folder = blur_run(tmp_path)
    for file in ("curves.json", "frames.csv"):
        content = (folder / file).read_bytes()
        assert b"A24_256_005" in content
        (folder / file).write_bytes(content.replace(b"A24_256_005", b"A24_\xff\xfe"))
    _, structure = read(write_report(folder))
    assert "A24_\N{REPLACEMENT CHARACTER}" in structure.text


def test_lone_surrogate_in_json_is_shown_as_question_mark(tmp_path: Path) -> None:
    folder = write_run(
        tmp_path,
        run_record("noise-ladder", status="partial", reason="bad \udcff name"),
        curves_record("x"),
        [],
    )
    page, _ = read(write_report(folder))
    assert "bad ? name" in page


def test_empty_results(tmp_path: Path) -> None:
    folder = write_run(tmp_path, run_record("noise-ladder", status="failed", reason="no pair"), curves_record("x"), [])
    _, structure = read(write_report(folder))
    assert "This run failed" in structure.text and "no pair" in structure.text
    assert "This run gives no limit" in structure.text
    assert "No frame is recorded." in structure.text
    assert structure.svgs == []


def test_failed_run_without_curves_and_frames(tmp_path: Path) -> None:
    folder = write_run(tmp_path, run_record("noise-ladder", status="failed", reason="disk full"), None, None)
    _, structure = read(write_report(folder))
    assert "There is no curves.json" in structure.text and "There is no frames.csv" in structure.text


@pytest.mark.parametrize("part", ["noise", "sharpness", "blur"])
def test_parts_with_empty_lists_and_null_fits(part: str, tmp_path: Path) -> None:
    empty = {"points": [], "frames": [], "fit": None, "findings": None, "limits": [], "next": []}
    folder = write_run(tmp_path, run_record("x"), curves_record("x", **{part: empty}), [])
    _, structure = read(write_report(folder))
    assert structure.svgs == [] and "How it was done" in structure.text


def test_only_rejected_frames(tmp_path: Path) -> None:
    frames = [
        frame(f"B_{k:02d}.DNG", status="rejected", role="edge", step=f"f/{4 + k % 2}", flags="no-edge")
        for k in range(12)
    ]
    run = run_record("aperture-sweep", status="partial", reason="f/4: no usable edge; f/5: no usable edge")
    _, structure = read(write_report(write_run(tmp_path, run, curves_record("aperture-sweep"), frames)))
    assert "Of 12 frames, none used, 12 rejected." in structure.text
    assert "12 frames: no usable edge found." in structure.text
    assert "f/4: 6 frames rejected, 0 used." in structure.text
    assert "and 8 more" in structure.text


def test_five_hundred_frames_stay_readable(tmp_path: Path) -> None:
    folder = blur_run(tmp_path, frames_per_speed=71)
    path = write_report(folder)
    page, structure = read(path)
    assert "Of 500 frames, 499 used, 1 rejected." in structure.text
    assert page.count("<details>") == 2  # both long tables start folded
    assert all(f"A24_{speed:03d}_070.DNG" in structure.text for speed in (4, 256))
    assert path.stat().st_size < 900_000


def test_practice_shows_frames_side_by_side(page_of: Callable[[str], Path]) -> None:
    _, structure = read(page_of("practice"))
    assert "it is practice, to look at side by side" in structure.text
    assert "The frames side by side" in structure.text and "Frames by step" in structure.text
    assert "6.1" in structure.text  # EV of 1/60 s, f/5.6 ... as given in the sample
    assert "unknown" in structure.text  # the level that could not be measured


def test_method_names_sources_versions_and_protocol(any_page: Path) -> None:
    _, structure = read(any_page)
    method = structure.text.split("How it was done")[1]
    assert "6f1c6f1c" in method and "2.4.0" in method and "0.22.2" in method and "2026-03-14T11:00:42" in method
    assert "Aldous 24" in method
    source = {"noise": "EMVA 1288", "sharpness": "ISO 12233", "blur": "Wilson", "practice": ""}[any_page.parent.name]
    assert source in method
    assert "sun" in method.split("Cautions")[1] and "Let hot lamps cool" in method


def test_same_results_give_the_same_page(any_page: Path) -> None:
    first = any_page.read_bytes()
    again = write_report(any_page.parent)
    assert again == any_page
    assert again.read_bytes() == first


def test_drawing_leaves_matplotlib_as_it_was(tmp_path: Path) -> None:
    before = dict(matplotlib.rcParams)
    write_report(blur_run(tmp_path))
    assert dict(matplotlib.rcParams) == before


def test_not_a_results_folder(tmp_path: Path) -> None:
    with pytest.raises(ResultsError, match="holds no results") as caught:
        write_report(tmp_path)
    assert "run.json" in str(caught.value) and caught.value.fix


@pytest.mark.parametrize(
    ("file", "content", "message"),
    [
        ("run.json", "{", "cannot be read"),
        ("run.json", "[]", "not of a form"),
        ("curves.json", '{"schema": 99}', "newer kitgauge"),
        ("curves.json", "nonsense", "cannot be read"),
    ],
)
def test_damaged_files_are_named(file: str, content: str, message: str, tmp_path: Path) -> None:
    folder = noise_run(tmp_path)
    (folder / file).write_text(content)
    with pytest.raises(ResultsError, match=message) as caught:
        write_report(folder)
    assert file in str(caught.value)
    assert not (folder / "report.html").exists()


def test_complete_run_without_curves_is_refused(tmp_path: Path) -> None:
    folder = write_run(tmp_path, run_record("noise-ladder"), None, [])
    with pytest.raises(ResultsError, match="curves are missing"):
        write_report(folder)


def test_page_that_cannot_be_written_leaves_the_old_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = noise_run(tmp_path)
    path = write_report(folder)
    path.write_text("old")

    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(ResultsError, match="No space left"):
        write_report(folder)
    assert path.read_text() == "old"
    assert sorted(p.name for p in folder.iterdir()) == [
        "curves.json",
        "frames.csv",
        "report.html",
        "run.json",
    ]


def test_frames_that_an_interrupted_run_did_not_reach_are_not_called_used(tmp_path: Path) -> None:
    waiting = "not measured yet: the run was interrupted"
    frames = [frame("a.dng", role="edge", step="f/4"), frame("b.dng", role="edge", step="f/4")]
    frames += [frame(f"c{k}.dng", role="edge", step="f/8", status="unmatched", reason=waiting) for k in range(3)]
    frames += [frame("d.dng", status="unmatched", reason="its ISO 64 is on no step of the protocol")]
    run = run_record("x", status="partial", reason="interrupted")
    _, structure = read(write_report(write_run(tmp_path, run, curves_record("x"), frames)))
    assert "Of 6 frames, 2 used, 1 left out and 3 not measured yet." in structure.text
    assert "All" not in structure.text.split("Your frames")[1].split("What did not serve")[0]
    assert f"3 frames: {waiting}. c0.dng, c1.dng, c2.dng" in structure.text


def test_tripod_frames_are_not_told_to_be_as_sharp_as_tripod_frames(tmp_path: Path) -> None:
    def row(role: str, k: int) -> dict[str, object]:
        return frame(f"{role}{k}.dng", role=role, step=role, flags="below-floor black-from-metadata")

    frames = [row("tripod", k) for k in range(14)] + [row("handheld", k) for k in range(9)]
    blur = {"frames": [{"file": f["file"], "role": f["role"], "shutter_s": 0.01, "censored": "below", "bound_px": 0.2,
                        "flags": ["below-floor"]} for f in frames], "fit": None}  # fmt: skip
    curves = curves_record("handheld-shutter", blur=blur)
    _, structure = read(write_report(write_run(tmp_path, run_record("handheld-shutter"), curves, frames)))
    told = structure.text.split("What to know about them")[1].split("The curves")[0]
    assert f"9 frames: {FLAGS['below-floor'].text}." in told
    assert f"9 handheld and 14 tripod frames: {FLAGS['black-from-metadata'].text}." in told or (
        f"14 tripod and 9 handheld frames: {FLAGS['black-from-metadata'].text}." in told
    )
    assert "Marks on the numbers" not in structure.text  # all of it is told with the frames
    rows = structure.text.split("Streak of every frame")[1]
    assert rows.index("handheld0.dng") < rows.index("handheld8.dng") < rows.index("tripod0.dng")


def test_criterion_is_in_words_and_key_names_stay_out(any_page: Path) -> None:
    _, structure = read(any_page)
    letter = structure.text.split("Your frames")[0]
    said = {
        "noise": "Criterion: SNR 10 at mid-grey, picture of 8 MP.",
        "sharpness": "Criterion: at least 90 % of the best MTF50.",
        "blur": "Criterion: streaks of at most 4.8 px, 80 % of frames.",
        "practice": "",
    }[any_page.parent.name]
    assert said in letter
    for key in ("output_mp", "mtf50_fraction", "streak_px", "1 megapixels", "))."):
        assert key not in letter


def test_limit_of_the_whole_frame_says_what_each_place_is_compared_with(tmp_path: Path) -> None:
    folder = sharpness_run(tmp_path)
    path = folder / "curves.json"
    curves = json.loads(path.read_text())
    for point in curves["sharpness"]["points"]:
        point["mtf50_cy_per_px"] = 0.42 if "-" in point["region"] else 0.5
    path.write_text(json.dumps(curves))
    _, structure = read(write_report(folder))
    centre, whole = structure.text.split("Your frames")[0].split("numbers, whole frame")
    said = re.search(
        r"Each place is compared with its own best; at f/[\d.]+ the outermost corners reach 84 % of the", whole
    )
    assert said and "Each place" not in centre


def test_nothing_is_told_twice_in_the_letter(any_page: Path, tmp_path: Path) -> None:
    page = any_page
    if page.parent.name == "sharpness":  # two limits with equal ends may say the same of them
        folder = sharpness_run(tmp_path)
        curves = json.loads((folder / "curves.json").read_text())
        curves["limits"][1] |= {"f_number_low": 4.4, "f_number_low_dial": 4.5, "ci_low": 4.2}
        (folder / "curves.json").write_text(json.dumps(curves))
        page = write_report(folder)
    _, structure = read(page)
    letter = structure.text.split("The curves")[0]
    sentences = [part for part in re.split(r"(?<=[.!?]) ", letter) if len(part) > 40]
    assert len(sentences) == len(set(sentences))


def test_cautions_of_the_protocol_stand_alone_and_general_ones_only_without_them(tmp_path: Path) -> None:
    own = ["A tripod in a passage makes people fall.", "Keep the sun out of the finder."]
    curves = json.loads((blur_run(tmp_path / "a") / "curves.json").read_text())
    _, structure = read(write_report(write_run(tmp_path / "b", run_record("x", cautions=own), curves, [])))
    told = structure.text.split("Cautions")[1]
    assert all(told.count(caution) == 1 for caution in own)
    assert told.count("ripod") == 1 and told.count("sun") == 1
    _, structure = read(write_report(write_run(tmp_path / "c", run_record("x", cautions=[]), curves, [])))
    assert "trip hazard" in structure.text.split("Cautions")[1] and "sun" in structure.text.split("Cautions")[1]


def test_evidence_of_a_fit_is_folded_away(any_page: Path) -> None:
    page, structure = read(any_page)
    if any_page.parent.name == "practice":
        return
    folded = "".join(re.findall(r"<details.*?</details>", page, flags=re.DOTALL))
    for said in ("degrees of freedom", "Evidence for the model"):
        assert folded.count(said) == page.count(said) > 0
    assert "aicc" not in structure.text and "sigma_" not in structure.text


def test_flags_of_all_frames_stand_once_below_the_table(tmp_path: Path) -> None:
    frames = [frame(f"{k}.dng", role="flat", flags="black-from-dark" + " flicker" * (k == 2)) for k in range(4)]
    _, structure = read(write_report(write_run(tmp_path, run_record("x"), curves_record("x"), frames)))
    table = structure.text.split("flags and remarks")[1].split("How it was done")[0]
    assert table.count("black-from-dark") == 1 and "Every row carries: black-from-dark." in table
    assert table.count("flicker") == 1
