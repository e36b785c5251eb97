"""What goes wrong in the field: each time one clear message with the fix, the right exit code, nothing lost."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest
from small_kits import shots_of, small_kit

from kitgauge.simulate.shooting import shoot_protocol


def refused(done: subprocess.CompletedProcess[str], code: int, *parts: str) -> None:
    """Assert one message on standard error, with these parts and a fix, and nothing on standard output."""
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    assert "this should not happen" not in done.stderr
    assert done.stderr.startswith("kitgauge: ")
    assert done.stderr.count("kitgauge: ") == 1
    for part in (*parts, "fix:"):
        assert part in done.stderr
    assert done.stdout == ""


def test_an_empty_folder(kitgauge, tmp_path):
    (tmp_path / "empty").mkdir()
    refused(kitgauge("run", "noise-ladder", "empty"), 1, "no frames in this folder", "nothing")
    assert not (tmp_path / "results").exists()


def test_a_folder_with_other_files_only(kitgauge, tmp_path):
    (tmp_path / "texts").mkdir()
    (tmp_path / "texts" / "a.txt").write_text("hello")
    refused(kitgauge("run", "noise-ladder", "texts"), 1, "no frames in this folder", "1 other files")


def test_not_a_folder(kitgauge, tmp_path):
    (tmp_path / "file.dng").write_bytes(b"x")
    refused(kitgauge("run", "noise-ladder", "file.dng"), 1, "a file, not a folder", "file.dng")
    refused(kitgauge("run", "noise-ladder", "nowhere"), 1, "no such folder", "nowhere")


def test_developed_pictures_that_are_no_flats(kitgauge, tmp_path):
    """Four tiny pictures of noise: the run ends partial, and says of each what is wrong."""
    from PIL import Image

    (tmp_path / "jpegs").mkdir()
    settings = ["file,iso,shutter_s,f_number"]
    for number in range(4):
        Image.effect_noise((80, 60), 20 + number).save(tmp_path / "jpegs" / f"{number}.jpg")
        settings.append(f"{number}.jpg,100,1/60,8")
    (tmp_path / "s.csv").write_text("\n".join(settings))
    done = kitgauge("run", "noise-ladder", "jpegs", "--settings", "s.csv", "--out", "out")
    assert done.returncode == 3, done.stderr
    assert "ISO 100: no pair of flats" in done.stderr
    assert (tmp_path / "out" / "frames.csv").read_text().count("too small to measure noise") == 4


def test_one_flat_only(kitgauge, frames_of, tmp_path):
    frames = frames_of("noise-ladder")
    for path in sorted(frames.iterdir())[1:]:
        path.unlink()
    done = kitgauge("run", "noise-ladder", frames, "--out", "out")
    assert done.returncode == 3
    assert "ISO 100: no gain" in done.stderr
    assert "partner" in (tmp_path / "out" / "frames.csv").read_text()


def test_an_unknown_protocol(kitgauge, tmp_path):
    refused(kitgauge("run", "noise-lader", tmp_path), 2, "noise-lader", "noise-ladder")


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("frames = 2", "frames = -2", ("frames", "-2")),
        ("frames = 2", 'frames = "two"', ("frames", "two")),
        ("[sweep]", "[sweep]\ncolour = 3", ("colour",)),
        ('"full-stops"', '["1/60"]', ("values",)),
        ('role = "flat"', 'role = "flatt"', ("role", "flatt")),
        ("schema = 1", "schema = ", ("line",)),
    ],
)
def test_a_faulty_protocol(kitgauge, tmp_path, old, new, parts):
    from kitgauge.protocol.loading import load_protocol

    text = load_protocol("noise-ladder").source.read_text(encoding="utf-8")
    assert old in text
    (tmp_path / "mine.toml").write_text(text.replace(old, new, 1), encoding="utf-8")
    for command in (("protocols", "check", "mine.toml"), ("run", "mine.toml", "."), ("brief", "mine.toml")):
        refused(kitgauge(*command), 1, "mine.toml", *parts)


def test_spoiled_files_among_good_ones(kitgauge, frames_of, tmp_path):
    frames = frames_of("noise-ladder")
    good = (frames / "IMG_0001.DNG").read_bytes()
    (frames / "cut.dng").write_bytes(good[: len(good) // 2])
    (frames / "empty.dng").write_bytes(b"")
    (frames / "random.dng").write_bytes(random.Random(1).randbytes(20_000))
    (frames / "random.jpg").write_bytes(random.Random(2).randbytes(20_000))
    (frames / "notes.txt").write_text("ISO 100 first")
    done = kitgauge("run", "noise-ladder", frames, "--out", "out")
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    rows = (tmp_path / "out" / "frames.csv").read_text().splitlines()
    assert sum(",used," in row for row in rows) == 16
    for name in ("cut.dng", "empty.dng", "random.dng"):
        (row,) = [row for row in rows if row.startswith(name)]
        assert ",rejected," in row, row
    (row,) = [row for row in rows if row.startswith("random.jpg")]
    assert ",rejected," in row or ",unmatched," in row
    run = json.loads((tmp_path / "out" / "run.json").read_text())
    assert run["not_frames"] == {"notes.txt": "not a frame by its name (.txt)"}


def test_nothing_but_spoiled_files(kitgauge, tmp_path):
    (tmp_path / "bad").mkdir()
    for number in range(3):
        (tmp_path / "bad" / f"{number}.dng").write_bytes(b"")
    refused(kitgauge("run", "noise-ladder", "bad"), 1, "no frame in this folder serves noise-ladder", "3 x")


def test_two_cameras(kitgauge, frames_of, tmp_path):
    frames = frames_of("noise-ladder")
    other = small_kit(model="Other 3", body_serial="SIM-0007")
    shoot_protocol(other, shots_of("noise-ladder", other, iso_max=400.0), frames / "more", seed=9)
    done = kitgauge("run", "noise-ladder", frames)
    refused(
        done,
        1,
        "several bodies",
        "Simulated Sampler 8 #SIM-0001 (16 frames)",
        "Simulated Other 3 #SIM-0007 (12 frames)",
        "--body",
    )
    picked = kitgauge("run", "noise-ladder", frames, "--body", "other 3", "--out", "out")
    assert picked.returncode == 0, picked.stderr
    assert (tmp_path / "out" / "frames.csv").read_text().count("other body: Simulated Sampler 8 #SIM-0001") == 16
    refused(kitgauge("run", "noise-ladder", frames, "--body", "Nobody"), 2, "--body picks no body", "Nobody")


def test_files_that_end_in_the_middle_of_their_settings_are_no_other_camera(kitgauge, frames_of):
    """A serial number cut short by a copier would be that of another body."""
    frames = frames_of("noise-ladder")
    whole = next(frames.glob("*.[dD][nN][gG]")).read_bytes()
    ends = [whole.index(b"SIM-0001") + kept for kept in (0, 3, 7, 8)] + [whole.index(b"Simulated") + 4]
    for number, end in enumerate(ends):
        (frames / f"cut-{number}.dng").write_bytes(whole[:end])
    done = kitgauge("run", "noise-ladder", frames, "--out", "out")
    assert done.returncode == 0, done.stderr
    assert f"{len(ends)} rejected" in done.stdout and "Simulated Sampler 8" in done.stdout


def test_two_lenses(kitgauge, frames_of):
    from dataclasses import replace

    frames = frames_of("aperture-sweep")
    kit = small_kit()
    other = replace(kit, lens=replace(kit.lens, name="Long 40 mm f/2"))
    shoot_protocol(other, shots_of("aperture-sweep", other, f_min=8.0, f_max=8.0), frames / "more", seed=9)
    refused(kitgauge("run", "aperture-sweep", frames), 1, "several lenses", "Long 40 mm f/2", "--lens")


def test_frames_without_metadata(kitgauge, tmp_path):
    from kitgauge.simulate.dng import write_dng
    from kitgauge.simulate.shooting import plan_frames, take_frame

    kit = small_kit()
    folder = tmp_path / "bare"
    folder.mkdir()
    planned = plan_frames(kit, shots_of("noise-ladder", kit, iso_max=400.0), seed=2)
    rows = ["file,iso,shutter_s"]
    for frame in planned:
        write_dng(
            folder / frame.file, take_frame(kit, frame), kit.sensor.pattern, kit.sensor.black_dn, kit.sensor.white_dn
        )
        rows.append(f"{frame.file},{frame.iso:g},{frame.shutter_s!r}")
    done = kitgauge("run", "noise-ladder", folder)
    refused(done, 1, "no frame in this folder serves noise-ladder", "--settings FILE.csv, column iso")
    (tmp_path / "settings.csv").write_text("\n".join(rows))
    with_settings = kitgauge("run", "noise-ladder", folder, "--settings", "settings.csv", "--out", "out")
    assert with_settings.returncode == 0, with_settings.stderr


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("file,iso\nIMG_0001.DNG,-5\n", ("line 2", "iso", "-5")),
        ("file,isso\nIMG_0001.DNG,100\n", ("isso",)),
        ("file,iso\nnobody.dng,100\n", ("nobody.dng",)),
        ("file,step\nIMG_0001.DNG,flattt\n", ("flattt", "flat, dark")),
    ],
)
def test_a_faulty_settings_file(kitgauge, frames_of, tmp_path, text, parts):
    (tmp_path / "s.csv").write_text(text)
    refused(kitgauge("run", "noise-ladder", frames_of("noise-ladder"), "--settings", "s.csv"), 1, *parts)


@pytest.mark.parametrize("text", ["snr", "snr=", "snr=-1", "snr=nan", "sharpness=3", "keep=1.5"])
def test_a_faulty_criterion(kitgauge, tmp_path, text):
    refused(kitgauge("run", "noise-ladder", tmp_path, "--criterion", text), 2, f"--criterion {text}")


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_that_may_not_be_written(kitgauge, frames_of, tmp_path):
    locked = tmp_path / "locked"
    locked.mkdir(mode=0o500)
    refused(
        kitgauge("run", "noise-ladder", frames_of("noise-ladder"), "--out", locked / "x"), 1, "cannot write results"
    )


def test_a_file_where_the_results_should_go(kitgauge, frames_of, tmp_path):
    (tmp_path / "results").write_text("in the way")
    refused(kitgauge("run", "noise-ladder", frames_of("noise-ladder")), 1, "results")
    assert (tmp_path / "results").read_text() == "in the way"


def full_disk_for(name, monkeypatch):
    """Let every attempt to write the file `name` meet a full disk."""
    import errno

    from kitgauge import atomic

    def refuse():
        raise OSError(errno.ENOSPC, "No space left on device")

    if name == "log.jsonl":
        opened = Path.open
        monkeypatch.setattr(
            Path,
            "open",
            lambda self, mode="r", *a, **o: (
                refuse() if self.name == name and "a" in mode else opened(self, mode, *a, **o)
            ),
        )
    else:
        made = atomic._check_place
        monkeypatch.setattr(atomic, "_check_place", lambda path: refuse() if path.name == name else made(path))


@pytest.mark.parametrize("name", ["curves.json", "frames.csv", "log.jsonl"])
def test_a_full_disk(frames_of, tmp_path, monkeypatch, name):
    """Each file in turn meets a full disk: an error that names it, no half file, earlier results untouched."""
    from kitgauge import runner
    from kitgauge.errors import ResultsError

    frames, out = frames_of("noise-ladder"), tmp_path / "out"
    runner.run("noise-ladder", frames, out=out)
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    full_disk_for(name, monkeypatch)
    with pytest.raises(ResultsError, match=rf"(?s)cannot write results.*{name}.*No space left"):
        runner.run("noise-ladder", frames, out=out)
    monkeypatch.undo()
    after = {path.name: path.read_bytes() for path in out.iterdir()}
    assert set(after) == set(before)
    assert after["log.jsonl"].startswith(before["log.jsonl"])
    for kept in ("run.json", "curves.json", "frames.csv", "report.html"):
        assert after[kept] == before[kept]


def test_a_disk_that_fills_before_the_report_costs_the_report_only(frames_of, tmp_path, monkeypatch):
    from kitgauge import runner

    full_disk_for("report.html", monkeypatch)
    done = runner.run("noise-ladder", frames_of("noise-ladder"), out=tmp_path / "out")
    assert done.status == "partial" and done.report is None
    again = f"to try again: kitgauge report {tmp_path / 'out'}"
    assert done.reason == f"the report was not written (No space left on device); {again}"
    assert json.loads((tmp_path / "out" / "run.json").read_text())["status"] == "complete"
    assert not (tmp_path / "out" / "report.html").exists()


def test_a_folder_that_holds_another_run_is_left_alone(kitgauge, frames_of, tmp_path):
    assert kitgauge("run", "noise-ladder", frames_of("noise-ladder"), "--out", "out").returncode == 0
    before = (tmp_path / "out" / "curves.json").read_bytes()
    done = kitgauge("run", "aperture-sweep", frames_of("aperture-sweep"), "--out", "out")
    refused(done, 1, "this folder holds another run", "noise-ladder of simulated-sampler-8-sim-0001")
    assert (tmp_path / "out" / "curves.json").read_bytes() == before


@pytest.mark.usefixtures("in_this_process")
def test_a_frame_that_breaks_the_measurement_costs_itself_only(frames_of, tmp_path, monkeypatch):
    from kitgauge import runner
    from kitgauge.ingest import edge_frames

    found = edge_frames.find_edges_in
    calls: list[int] = []

    def breaking(*arguments, **options):
        calls.append(1)
        if len(calls) == 3:
            raise ArithmeticError("made up")
        return found(*arguments, **options)

    monkeypatch.setattr(edge_frames, "find_edges_in", breaking)
    done = runner.run("aperture-sweep", frames_of("aperture-sweep"), out=tmp_path / "out", use_cache=False)
    (spoiled,) = [record for record in done.records if record.status == "rejected"]
    assert spoiled.flags == ("measurement-failed",)
    assert "ArithmeticError: made up" in spoiled.reason
    assert len(done.limits) == 4


@pytest.mark.usefixtures("in_this_process")
@pytest.mark.parametrize(
    "protocol", ["noise-ladder", "dark-current", "aperture-sweep", "handheld-shutter", "practice-shutter"]
)
@pytest.mark.parametrize("all_of_them", [False, True], ids=["one", "all"])
def test_a_fault_in_measuring_costs_the_frames_that_were_measured_together(
    frames_of, tmp_path, monkeypatch, protocol, all_of_them
):
    """An ISO value, an exposure time or a frame of which nothing but refusals came."""
    from kitgauge import runner
    from kitgauge.errors import KitgaugeError
    from kitgauge.runs import context

    run_tasks = context.run_tasks

    def spoiled(tasks, *arguments, **options):
        for task in tasks if all_of_them else tasks[:1]:
            lost.update(task.files)
        run_tasks([replace(t, work=_broken) if lost >= set(t.files) else t for t in tasks], *arguments, **options)

    lost: set[str] = set()
    monkeypatch.setattr(context, "run_tasks", spoiled)
    try:
        done = runner.run(protocol, frames_of(protocol), out=tmp_path / "out", use_cache=False)
    except KitgaugeError as error:  # nothing was left to conclude from
        assert all_of_them and error.fix
        return
    rejected = {record.file: record for record in done.records if record.status == "rejected"}
    assert lost <= set(rejected) and all("ArithmeticError: made up" in rejected[file].reason for file in lost)
    assert (tmp_path / "out" / "report.html").is_file()


def _broken():
    raise ArithmeticError("made up")


def test_a_fault_in_the_fit_is_recorded_as_failed(frames_of, tmp_path, monkeypatch):
    from kitgauge import runner
    from kitgauge.runs import noise as run_noise

    def broken(*_arguments):
        raise ArithmeticError("made up")

    monkeypatch.setattr(run_noise, "fit_noise_iso", broken)
    with pytest.raises(ArithmeticError, match="made up"):
        runner.run("noise-ladder", frames_of("noise-ladder"), out=tmp_path / "out")
    run = json.loads((tmp_path / "out" / "run.json").read_text())
    assert (run["status"], run["reason"]) == ("failed", "ArithmeticError: made up")
    assert json.loads((tmp_path / "out" / "log.jsonl").read_text().splitlines()[-1])["event"] == "stop"


def test_ctrl_c_while_fitting_is_recorded_and_a_rerun_measures_nothing_twice(frames_of, tmp_path, monkeypatch):
    from kitgauge import runner
    from kitgauge.errors import ResultsError
    from kitgauge.runs import noise as run_noise

    def interrupt(*_arguments):
        raise KeyboardInterrupt

    frames = frames_of("noise-ladder")
    with monkeypatch.context() as patch:
        patch.setattr(run_noise, "fit_noise_iso", interrupt)
        with pytest.raises(ResultsError, match=r"(?s)interrupted before.*nothing is measured twice"):
            runner.run("noise-ladder", frames, out=tmp_path / "out")
    assert json.loads((tmp_path / "out" / "run.json").read_text())["status"] == "failed"
    again = runner.run("noise-ladder", frames, out=tmp_path / "out")
    assert (again.status, again.frames_decoded) == ("complete", 0)


def test_json_is_valid_whatever_the_streams_encoding(kitgauge):
    done = kitgauge("plan", "--light", "ev9", "--focal", "50", "--distance", "2", "--json", PYTHONIOENCODING="ascii")
    assert done.returncode == 0
    assert "µ" in json.dumps(json.loads(done.stdout), ensure_ascii=False)


@pytest.mark.parametrize(
    ("arguments", "code", "parts"),
    [
        (("brief", "noise-ladder", "--f-min", "1e-300"), 2, ("lowest f-number", "0.5 to 256")),
        (("brief", "noise-ladder", "--iso-max", "1e300"), 2, ("highest ISO",)),
        (("brief", "noise-ladder", "--out", "."), 1, ("that is a folder",)),
        (("brief", "noise-ladder", "--out", "nowhere/x.html"), 1, ("make that folder first",)),
        (("demo", "--out", "a-file"), 1, ("a-file", "a file stands where")),
        (("demo", "--seed", "-1"), 2, ("--seed",)),
        (("run", "noise-ladder", "x" * 300), 1, ("cannot be read",)),
        (("run", "y" * 300, "."), 2, ("no protocol has this name",)),
        (("report", "a-file"), 1, ("a-file",)),
        (("limits", "accept", "a-file"), 1, ("give the folder of a run",)),
        (("limits", "--kit", "x", "show"), 2, ("come after",)),
        (("plan", "--light", "ev5", "--focal", "85mm"), 2, ("--focal", "kitgauge plan --help")),
    ],
    ids=lambda value: " ".join(value)[:40] if isinstance(value, tuple) else "",
)
def test_odd_arguments(kitgauge, tmp_path, arguments, code, parts):
    (tmp_path / "a-file").write_text("no folder")
    refused(kitgauge(*arguments), code, *parts)


@pytest.mark.skipif(sys.platform == "win32", reason="signals as on Unix")
def test_ctrl_c_keeps_the_results_and_a_rerun_goes_on(frames_of, tmp_path):
    frames = frames_of("handheld-shutter")
    cache = tmp_path / "cache"
    environment = {**os.environ, "KITGAUGE_CACHE": str(cache)}
    command = [
        sys.executable,
        "-m",
        "kitgauge",
        "run",
        "handheld-shutter",
        str(frames),
        "--out",
        str(tmp_path / "out"),
        "--workers",
        "1",
    ]
    process = subprocess.Popen(
        command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    deadline = time.monotonic() + 120
    while len(list(cache.rglob("*.json.gz"))) < 4 and time.monotonic() < deadline:
        assert process.poll() is None, process.communicate()
        time.sleep(0.02)
    os.killpg(process.pid, signal.SIGINT)
    _out, err = process.communicate(timeout=120)
    assert process.returncode == 3, err
    assert "Traceback" not in err
    assert "interrupted; run the same command again" in err
    run = json.loads((tmp_path / "out" / "run.json").read_text())
    assert run["status"] == "partial"
    kept = len(list(cache.rglob("*.json.gz")))
    again = subprocess.run(command, env=environment, capture_output=True, text=True, timeout=300, check=False)
    assert again.returncode == 0, again.stderr
    run = json.loads((tmp_path / "out" / "run.json").read_text())
    assert run["status"] == "complete"
    assert run["frames_decoded"] == len(list(frames.iterdir())) - kept


def test_names_that_are_hard_to_print(kitgauge, frames_of, tmp_path):
    frames = frames_of("noise-ladder")
    names = ["a b.dng", "quote'\".dng", "new\nline.dng", "rtl-\u202e\u05d0.dng", "<b>&amp;.dng"]
    if sys.platform == "linux":
        names.append(os.fsdecode(b"not-utf8-\xff.dng"))
    for path, name in zip(sorted(frames.iterdir()), names, strict=False):
        path.rename(frames / name)
    done = kitgauge("run", "noise-ladder", frames, "--out", "out")
    assert done.returncode == 0, done.stderr
    assert "<b>&amp;.dng" not in (tmp_path / "out" / "report.html").read_text(encoding="utf-8", errors="replace")


def test_json_alone_on_standard_output(kitgauge, frames_of, tmp_path):
    done = kitgauge(
        "run", "noise-ladder", frames_of("noise-ladder"), "--out", "out", "--json", "--criterion", "output_mp=0.3"
    )
    assert done.returncode == 0
    assert json.loads(done.stdout) == json.loads((tmp_path / "out" / "curves.json").read_text())
    assert done.stderr == ""


def test_a_run_folder_that_is_none(kitgauge, tmp_path):
    refused(kitgauge("report", tmp_path / "nowhere"), 1, "nowhere")
    (tmp_path / "bad").mkdir()
    (tmp_path / "bad" / "curves.json").write_text("{half")
    (tmp_path / "bad" / "run.json").write_text("{}")
    refused(kitgauge("limits", "accept", "bad"), 1, "curves.json")


def test_the_reader_of_a_pipe_going_away_is_no_error_message(tmp_path):
    if shutil.which("sh") is None:
        pytest.skip("no shell to build a pipe with")
    done = subprocess.run(
        ["sh", "-c", f"'{sys.executable}' -m kitgauge brief noise-ladder | head -1"],
        cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.stderr == ""
