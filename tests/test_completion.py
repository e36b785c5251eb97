"""Shell completion: on, right, and paid for by nobody who does not ask for it."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PROTOCOLS = sorted(path.stem for path in (ROOT / "protocols").glob("*.toml"))


def completions(shell: str, words: str, tmp_path: Path) -> list[str]:
    """Return what the program answers a shell that asks how `words` may go on."""
    asked = {
        "bash": {"COMP_WORDS": words, "COMP_CWORD": str(len(words.split()) - (not words.endswith(" ")))},
        "zsh": {"_TYPER_COMPLETE_ARGS": words},
    }[shell]
    done = subprocess.run(
        [sys.executable, "-m", "kitgauge"],
        cwd=tmp_path,
        env={**os.environ, **asked, "_KITGAUGE_COMPLETE": f"complete_{shell}", "PYTHONWARNINGS": "error"},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.stderr == ""
    return done.stdout.split("\n") if shell == "zsh" else done.stdout.split()


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ("kitgauge pl", ["plan"]),
        ("kitgauge limits ac", ["accept"]),
        ("kitgauge plan --ligh", ["--light"]),
        ("kitgauge run noise-", [name for name in PROTOCOLS if name.startswith("noise-")]),
        ("kitgauge brief ", PROTOCOLS),
        ("kitgauge run no-such", []),
    ],
)
def test_bash_is_told_commands_options_and_protocols(words, expected, tmp_path):
    assert sorted(completions("bash", words, tmp_path)) == sorted(expected)


def test_zsh_is_told_what_each_command_does(tmp_path):
    line, *_ = completions("zsh", "kitgauge pl", tmp_path)
    assert '"plan"' in line
    assert "settings" in line.lower() or "Choose" in line


@pytest.mark.skipif(shutil.which("bash") is None, reason="no bash here")
def test_it_works_in_a_real_bash(tmp_path):
    program = tmp_path / "bin" / "kitgauge"
    program.parent.mkdir()
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m kitgauge "$@"\n')
    program.chmod(0o755)
    script = (
        'eval "$(kitgauge --show-completion)"\n'
        'COMP_WORDS=(kitgauge run aper); COMP_CWORD=2; _kitgauge_completion kitgauge\n'
        'echo "${COMPREPLY[@]}"\n'
    )  # fmt: skip
    done = subprocess.run(
        ["bash", "--norc", "-c", script],
        cwd=tmp_path,
        env={**os.environ, "PATH": f"{program.parent}{os.pathsep}{os.environ['PATH']}"},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.stdout.split() == ["aperture-sweep", "aperture-sweep-refocused"], done.stderr


def test_installing_it_writes_below_the_home_folder_only(tmp_path):
    if shutil.which("bash") is None:
        pytest.skip("no bash here")
    home = tmp_path / "home"
    home.mkdir()
    done = subprocess.run(
        ["bash", "--norc", "-c", f'"{sys.executable}" -m kitgauge --install-completion; true'],
        cwd=tmp_path,
        env={**os.environ, "HOME": str(home)},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert "completion installed" in done.stdout, done.stderr
    assert (home / ".bashrc").is_file()
    assert {path.name for path in tmp_path.iterdir()} == {"home"}


@pytest.mark.parametrize("arguments", [["plan", "--light", "ev9.5", "--distance", "2"], ["--help"], ["--version"]])
def test_it_costs_no_start_up(arguments, tmp_path):
    script = (
        "import sys\n"
        "from kitgauge.cli import _exit_code\n"
        f"sys.argv = ['kitgauge', *{arguments!r}]\n"
        "code = _exit_code()\n"
        "print('LOADED', code, [name for name in ('pydantic', 'rich', 'kitgauge.protocol') if name in sys.modules])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False
    )
    assert done.stdout.splitlines()[-1] == "LOADED 0 []", done.stdout[-300:] + done.stderr
