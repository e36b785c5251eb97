"""The pages that come with the package: fresh, whole, linked, and their examples run."""

from __future__ import annotations

import doctest
import re
from pathlib import Path

import pytest
import typer

from kitgauge.cli import app
from kitgauge.docs.commands import PAGE, commands_page

ROOT = Path(__file__).resolve().parents[1]
DOCS = PAGE.parent


def words(group, path=("kitgauge",)):
    for name, command in group.commands.items():
        yield " ".join((*path, name)), command
        if hasattr(command, "commands"):
            yield from words(command, (*path, name))


COMMANDS = [entry for entry in words(typer.main.get_command(app)) if not hasattr(entry[1], "commands")]


def test_the_page_of_commands_is_fresh():
    assert PAGE.read_text(encoding="utf-8") == commands_page(), "write it anew with: python -m kitgauge.docs"


@pytest.mark.parametrize(("path", "command"), COMMANDS, ids=lambda value: value if isinstance(value, str) else "")
def test_every_command_and_option_has_its_line(path, command):
    page = commands_page()
    assert f"\n## {path}\n" in page
    section = page.split(f"\n## {path}\n")[1].split("\n## ")[0]
    for parameter in command.params:
        if parameter.name != "help" and parameter.param_type_name == "option":
            assert f"`{parameter.opts[0]}" in section
        help_text = " ".join((getattr(parameter, "help", "") or "").split()).replace("|", "\\|")
        if parameter.name != "help":
            assert help_text in section


def test_a_bar_in_a_name_does_not_end_the_cell():
    rows = [line for line in commands_page().splitlines() if line.startswith("| `")]
    assert rows
    for row in rows:
        assert len(re.split(r"(?<!\\)\|", row)) == 4, row


def anchors(page: str) -> set[str]:
    """Return the anchors that GitHub and most viewers of Markdown make of headings."""
    headings = re.findall(r"^#+ (.+)$", page, flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.replace("`", "").lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("path", [*sorted(DOCS.glob("*.md")), ROOT / "README.md"], ids=lambda path: path.name)
def test_links_lead_somewhere(path):
    page = path.read_text(encoding="utf-8")
    links = re.findall(r"\]\(([^)\s]+)\)", re.sub(r"```.*?```", "", page, flags=re.DOTALL))
    assert links
    for link in links:
        file, _, anchor = link.partition("#")
        target = (path.parent / file) if file else path
        assert target.is_file(), f"{path.name}: {link}"
        assert not anchor or anchor in anchors(target.read_text(encoding="utf-8")), f"{path.name}: {link}"


def test_every_part_of_numbers_names_sources_and_what_it_cannot_tell():
    page = (DOCS / "numbers.md").read_text(encoding="utf-8")
    parts = page.split("\n## ")[1:-1]  # the last says what no number tells
    assert len(parts) == 8
    for part in parts:
        title = part.splitlines()[0]
        assert re.search(r"\*Source\*|\| source \|", part) or "ISO 12232" in part, title
        assert "annot tell" in part, title


@pytest.mark.filterwarnings("error")
def test_the_examples_of_the_python_page_run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    found = doctest.testfile(
        str(DOCS / "python.md"), module_relative=False, optionflags=doctest.ELLIPSIS, encoding="utf-8"
    )
    assert found.attempted > 25
    assert found.failed == 0


def test_the_readme_leads_to_every_page():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for page in DOCS.glob("*.md"):
        assert f"(kitgauge/docs/{page.name})" in readme
