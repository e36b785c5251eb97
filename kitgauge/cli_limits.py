"""The commands `kitgauge limits ...`: show, accept and drop personal limits."""

from __future__ import annotations

from pathlib import Path

import typer

from kitgauge import cli_options as options
from kitgauge.errors import UsageError
from kitgauge.readable_text import tell

limits_app = typer.Typer(
    help="Show, accept or drop the personal limits that plans are made with.\n\n"
    "Examples:\n\n  kitgauge limits\n\n  kitgauge limits accept results/my-body/noise-ladder-2026-01-31-101500\n\n"
    "  kitgauge limits drop 2",
    rich_markup_mode=None,
)


@limits_app.callback(invoke_without_command=True)
def limits(context: typer.Context, results: options.Results = Path("results"), kit: options.Kit = None) -> None:
    """Show the accepted limits, numbered; see also 'accept' and 'drop'."""
    if context.invoked_subcommand is None:
        limits_show(results, kit)
    elif results != Path("results") or kit is not None:
        raise UsageError(
            "options of 'limits' come after its command",
            got=f"options before {context.invoked_subcommand}",
            needed=f"kitgauge limits {context.invoked_subcommand} ... --results DIR --kit NAME",
            fix="move them behind",
        )


@limits_app.command("show")
def limits_show(results: options.Results = Path("results"), kit: options.Kit = None) -> None:
    """Show the accepted limits of a kit, numbered.

    Example:

      kitgauge limits show --kit my-body
    """
    from kitgauge.limits.commands import show_limits

    tell(show_limits(results, kit))


@limits_app.command("accept")
def limits_accept(
    run_folder: options.RunFolder,
    results: options.AcceptResults = None,
    kit: options.Kit = None,
    replace: options.Replace = False,
) -> None:
    """Accept the limits of a run: plans use them from now on.

    Where an accepted limit for the same thing exists, old, new and their difference in stops are shown
    with its significance, and nothing is changed unless --replace is given. Of a run that does not lie in its
    kit's folder a copy is kept there, since plans read curves nowhere else.

    Example:

      kitgauge limits accept results/my-body/handheld-shutter-2026-01-31-101500
    """
    from kitgauge.limits.commands import accept_run

    tell(accept_run(run_folder, results, kit, replace=replace))


@limits_app.command("drop")
def limits_drop(
    numbers: options.LimitNumbers, results: options.Results = Path("results"), kit: options.Kit = None
) -> None:
    """Drop accepted limits by their numbers.

    Example:

      kitgauge limits drop 2 3
    """
    from kitgauge.limits.commands import drop_limits

    tell(drop_limits(numbers, results, kit))
