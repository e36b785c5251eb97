"""The page of all commands, made of what the commands say of themselves: help, options, defaults, examples."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import typer

PAGE = Path(__file__).with_name("commands.md")
_TOP = """# Commands

Made of the commands' own help by `python -m kitgauge.docs`; a test checks that it is fresh. `kitgauge COMMAND --help`
says the same on the terminal; `kitgauge --install-completion` lets the shell complete commands, options and the ids of
protocols (`--show-completion` prints what it would install).

Exit codes: 0 complete, 1 error, 2 usage, 3 partial (results written, something missing), 130 stopped by Ctrl-C.
"""


def commands_page() -> str:
    """Return the page of all commands as Markdown."""
    from kitgauge.cli import app

    root = typer.main.get_command(app)
    commands = sorted(_commands(root, "kitgauge", None), key=lambda entry: entry[0])
    contents = [f"- [`{path}`](#{path.replace(' ', '-')}): {_first_line(command)}" for path, command, _ in commands]
    return "\n".join([_TOP, *contents, "", *(_section(*entry) for entry in commands)])


def _commands(group: Any, path: str, parent: Any) -> Iterator[tuple[str, Any, Any]]:
    """Yield (words to type, command, context) of every command below a group."""
    context = group.context_class(group, info_name=path.split()[-1], parent=parent)
    for name, command in group.commands.items():
        words = f"{path} {name}"
        if hasattr(command, "commands"):
            if command.invoke_without_command:
                yield words, command, group.context_class(command, info_name=name, parent=context)
            yield from _commands(command, words, context)
        else:
            yield words, command, command.context_class(command, info_name=name, parent=context)


def _first_line(command: Any) -> str:
    return " ".join(_paragraphs(command)[0].split())


def _paragraphs(command: Any) -> list[str]:
    return [part for part in re.split(r"\n\s*\n", (command.help or "").strip()) if part.strip()]


def _section(path: str, command: Any, context: Any) -> str:
    """Return the section of one command: what it does, how it is called, examples, arguments and options."""
    text: list[str] = []
    examples: list[str] = []
    for part in _paragraphs(command):
        if not re.fullmatch(r"Examples?:", part.strip()):
            (examples if part.strip().startswith("kitgauge ") else text).append(" ".join(part.split()))
    parameters = [p for p in command.params if p.name != "help"]
    arguments = [p for p in parameters if p.param_type_name == "argument"]
    options = [p for p in parameters if p.param_type_name == "option"]
    usage = [path, *(["[OPTIONS]"] if options else [])]
    usage += [_name_of(argument) for argument in arguments]
    usage += ["[COMMAND]"] if hasattr(command, "commands") else []
    lines = [f"## {path}", "", *(f"{paragraph}\n" for paragraph in text), "```", " ".join(usage), "```", ""]
    if examples:
        lines += ["Examples:" if len(examples) > 1 else "Example:", "", "```", *examples, "```", ""]
    if parameters:
        lines += ["| | |", "|---|---|", *(_row(p, context) for p in (*arguments, *options)), ""]
    return "\n".join(lines)


def _row(parameter: Any, context: Any) -> str:
    """Return the table row of an argument or option: how it is written, and what its help says."""
    written, help_text = parameter.get_help_record(context)
    if parameter.param_type_name == "argument":
        written = _name_of(parameter)
    return f"| `{_cell(written)}` | {_cell(' '.join(help_text.split()))} |"


def _name_of(argument: Any) -> str:
    return str(argument.metavar or argument.name.upper())


def _cell(text: str) -> str:
    """Return text that does not end a cell of a table."""
    return text.replace("|", "\\|")
