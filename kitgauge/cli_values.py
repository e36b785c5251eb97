"""Commands whose options are made of their text at once, without the library that typer checks values with.

That library (pydantic) takes longer to load than a whole plan. Texts, numbers and paths need none of it, nor do the
options for help and for shell completion that were not given; every other kind of parameter is left to typer.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise ValueError(f"'{text}' is not a number") from None


def _whole(text: str) -> int:
    try:
        return int(text)
    except ValueError:
        raise ValueError(f"'{text}' is not a whole number") from None


_COMPLETION = ("install_completion", "show_completion")
_KINDS: dict[Any, Callable[[str], Any]] = {str: str, float: _number, int: _whole, Path: Path}


class _QuickHelp:
    """Of a command or group: its option for help asks for no check where it was not given."""

    def get_help_option(self, ctx: Any) -> Any:
        """Return the option for help, None if the command has none."""
        option = super().get_help_option(ctx)  # type: ignore[misc]
        if option is not None and not isinstance(option.process_value, partial):
            option.process_value = partial(_given, option.process_value)
        return option


class QuickGroup(_QuickHelp, TyperGroup):
    """The group of all commands."""

    def get_params(self, ctx: Any) -> Any:
        """Return all parameters; those for shell completion, which typer adds, ask for no check where not given."""
        for parameter in self.params:
            if parameter.name in _COMPLETION and not isinstance(parameter.process_value, partial):
                parameter.process_value = partial(_given, parameter.process_value)  # type: ignore[method-assign]
        return super().get_params(ctx)


class QuickCommand(_QuickHelp, TyperCommand):
    """A command that turns the plain values of its options itself."""

    def __init__(self, *args: Any, **settings: Any) -> None:
        super().__init__(*args, **settings)
        for parameter in self.params:
            kind = getattr(getattr(parameter, "type_descriptor", None), "annotation", None)
            plain = parameter.nargs == 1 and not parameter.multiple and not parameter.required
            if plain and parameter.callback is None and kind in _KINDS:
                parameter.process_value = partial(_value, parameter, _KINDS[kind])  # type: ignore[method-assign]


def _given(process: Callable[[Any, Any], Any], context: Any, value: Any) -> Any:
    return None if value is None else process(context, value)


def _value(parameter: Any, kind: Callable[[str], Any], context: typer.Context, value: Any) -> Any:
    """Return the value of one option, made of its text; a default is there already."""
    if not isinstance(value, str):
        return value
    try:
        return kind(value)
    except ValueError as error:
        raise typer.BadParameter(f"{error}.", ctx=context, param=parameter) from None
