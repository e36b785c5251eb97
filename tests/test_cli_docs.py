"""Every command has help with an example, and the README mentions it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import typer

from kitgauge.cli import app

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def commands(group, path=("kitgauge",)):
    found = []
    for name, command in group.commands.items():
        found.append(((*path, name), command))
        if hasattr(command, "commands"):
            found += commands(command, (*path, name))
    return found


COMMANDS = commands(typer.main.get_command(app))


def test_all_commands_of_the_product_are_there():
    top = {path[1] for path, _ in COMMANDS}
    measuring = {"run", "class", "compare", "report", "protocols", "brief", "target", "demo"}
    assert top == measuring | {"limits", "plan", "card", "review", "verify", "batch"}


@pytest.mark.parametrize(
    ("path", "command"), COMMANDS, ids=lambda value: " ".join(value) if isinstance(value, tuple) else ""
)
def test_help_says_what_it_does_and_shows_an_example(path, command):
    text = command.help or ""
    assert len(text.split("\n")[0]) > 20
    assert re.search(r"Examples?:", text), "no example in the help"
    assert " ".join(path) in text, "the example does not show the command"


@pytest.mark.parametrize(
    ("path", "command"), COMMANDS, ids=lambda value: " ".join(value) if isinstance(value, tuple) else ""
)
def test_every_option_has_help(path, command):
    for parameter in command.params:
        if parameter.name != "help":
            assert getattr(parameter, "help", None), f"{' '.join(path)}: {parameter.name} has no help"


@pytest.mark.parametrize("path", [path for path, _ in COMMANDS], ids=" ".join)
def test_the_readme_mentions_every_command(path):
    assert " ".join(path) in README


def test_the_start_section_is_one_block_of_two_lines():
    section = README.split("## Start", 1)[1].split("\n## ", 1)[0]
    blocks = re.findall(r"```\w*\n(.*?)```", section, flags=re.DOTALL)
    assert len(blocks) == 1
    assert len(blocks[0].strip().splitlines()) == 2


def test_every_protocol_and_file_of_a_run_is_in_the_readme():
    for path in (ROOT / "protocols").glob("*.toml"):
        assert f"`{path.stem}`" in README
    for name in ("run.json", "log.jsonl", "frames.csv", "curves.json", "report.html", "limits.toml"):
        assert name in README
