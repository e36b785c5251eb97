"""The command itself: bad input in one message, everything it prints, and how fast it starts."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from time import perf_counter

import pytest

LIMITS = """schema = 1
[[limit]]
kind = "iso"
body = "Invented One"
iso = 4500.0
run = "noise-1"
accepted_at = 2026-05-01
criterion = { snr = 10.0, output_mp = 8.0 }
[[limit]]
kind = "f_number"
body = "Invented One"
lens = "Invented 50 mm"
focal_mm = 50.0
f_number_low = 2.8
f_number_high = 9.0
run = "aperture-1"
accepted_at = 2026-05-01
criterion = { mtf50_fraction = 0.9 }
"""


def plan(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "kitgauge", "plan", *arguments], capture_output=True, text=True, timeout=120
    )


@pytest.fixture
def results(tmp_path: Path) -> Path:
    folder = tmp_path / "results" / "invented-one"
    folder.mkdir(parents=True)
    (folder / "limits.toml").write_text(LIMITS)
    return tmp_path / "results"


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        ((), 2, "no light is given"),
        (("--light", "ev40"), 2, "light that no scene has"),
        (("--light", "-3lux"), 2, "there is no light"),
        (("--light", "flash"), 2, "flash is not planned"),
        (("--light", "nowhere.dng"), 2, "there is no such file"),
        (("--light", "ev9", "--near", "5", "--far", "2"), 2, "the near end lies behind the far end"),
        (("--light", "ev9", "--near", "2", "--far", "4", "--distance", "9"), 2, "the distances contradict each other"),
        (("--light", "ev9", "--near", "2"), 2, "near and far belong together"),
        (("--light", "ev9", "--lens", "Invented 85 mm"), 2, "this lens was not measured"),
        (("--light", "ev9", "--kit", "someone-else"), 2, "no accepted limits for this kit"),
        (("--light", "ev9", "--direction", "30"), 2, "a direction needs a speed"),
        (("--light", "ev9", "--focal", "85mm"), 2, "'85mm' is not a number"),
        (("--light", "ev9", "--keepers", "2.5"), 2, "'2.5' is not a whole number"),
        (("--light", "ev9", "--dial", "fifths"), 2, "not a step of a dial"),
        (("--light", "ev9", "--fastest", "quick"), 2, "not a shutter time"),
        (("--light", "ev9", "--iso-min", "800", "--iso-max", "100"), 2, "upside down"),
        (("--table", "--light", "ev9"), 2, "--table is for any light"),
        (("--table", "--auto-iso"), 2, "one thing at a time"),
        (("--light", "ev9", "--focal"), 2, "--focal"),
    ],
)
def test_bad_input_is_one_clear_message(results: Path, arguments: tuple[str, ...], code: int, says: str) -> None:
    done = plan(*arguments, "--results", str(results)) if arguments[-1:] != ("--focal",) else plan(*arguments)
    assert done.returncode == code
    assert says in done.stderr
    assert done.stderr.count("kitgauge: ") == 1
    assert "Traceback" not in done.stderr
    assert done.stdout == ""


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        (LIMITS.replace("schema = 1", "schema = 7"), "newer kitgauge"),
        (LIMITS.replace("schema = 1", ""), "does not say its schema"),
        (LIMITS.replace("iso = 4500.0", 'iso = "many"'), "a number was needed"),
        (LIMITS.replace("iso = 4500.0", "iso = -4500.0"), "a number is impossible"),
        (LIMITS.replace("[[limit]]", "[[limit", 1), "not valid TOML"),
        (LIMITS.replace("f_number_low = 2.8", "f_number_low = 12.8"), "lies above"),
        (LIMITS.replace('body = "Invented One"', 'body = "Invented Two"', 1), "another body"),
        (LIMITS.replace("2026-05-01", '"yesterday"', 1), "a date was needed"),
        (LIMITS + "[[limit]]\n", "a key is missing"),
    ],
)
def test_a_limits_file_that_does_not_serve_is_named(results: Path, changed: str, says: str) -> None:
    (results / "invented-one" / "limits.toml").write_text(changed)
    done = plan("--light", "ev9", "--results", str(results))
    assert done.returncode in (1, 2)
    assert says in done.stderr
    assert done.stderr.count("kitgauge: ") == 1
    assert "Traceback" not in done.stderr


def test_all_options_together_as_text_and_json(results: Path) -> None:
    asked = (
        "--light", "1/60,f4,iso800", "--focal", "50", "--near", "2", "--far", "2.4", "--subject", "5km/h",
        "--direction", "45", "--technique", "monopod", "--stabiliser", "2", "--print-cm", "40", "--viewing-cm", "60",
        "--keep", "0.7", "--keepers", "2", "--confidence", "0.9", "--nd", "1", "--highlight-margin", "0.5",
        "--iso-max", "12800", "--f-min", "1.8", "--slowest", "30", "--fastest", "1/4000", "--dial", "halves",
        "--lens", "invented 50 MM", "--results", str(results),
    )  # fmt: skip
    values = json.loads(plan(*asked, "--json").stdout)
    assert values["settings"]["f_number"] in (2.8, 3.3, 4.0, 4.8, 5.6, 6.7, 8.0)  # of a dial in halves
    assert abs(values["exposure_error_stops"]) <= 1 / 4
    text = plan(*asked, "--why").stdout
    assert "Why:" in text and "f-numbers beside each other" in text


@pytest.mark.parametrize("option", ["--table", "--auto-iso"])
def test_table_and_automatic_iso_need_no_light(results: Path, option: str) -> None:
    done = plan(option, "--focal", "50", "--results", str(results))
    assert done.returncode == 0 and done.stdout.strip()
    json.loads(plan(option, "--focal", "50", "--results", str(results), "--json").stdout)


def test_a_plan_starts_within_two_and_a_half_times_the_interpreter_with_typer(results: Path) -> None:
    """The shortest of several starts of each, taken in turn: what else the machine does only makes one longer."""
    commands = {
        "bare": [sys.executable, "-c", "import typer"],
        "plan": [
            sys.executable, "-m", "kitgauge", "plan", "--light", "ev9.5", "--focal", "50", "--distance", "2",
            "--results", str(results),
        ],
    }  # fmt: skip
    shortest = dict.fromkeys(commands, float("inf"))
    for _ in range(12):
        for name, command in commands.items():
            started = perf_counter()
            subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
            shortest[name] = min(shortest[name], perf_counter() - started)
        if shortest["plan"] <= 2.4 * shortest["bare"]:
            break
    assert shortest["plan"] <= 2.5 * shortest["bare"], shortest


def test_a_plan_loads_no_library_that_checks_values(results: Path) -> None:
    script = (
        "import sys; sys.argv = ['kitgauge', 'plan', '--light', 'ev9', '--results', sys.argv[1]]\n"
        "from kitgauge.cli import main\n"
        "try: main()\n"
        "finally: print('pydantic' in sys.modules, 'numpy' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", script, str(results)], capture_output=True, text=True, timeout=60)
    assert done.stdout.rstrip().endswith("False False")
