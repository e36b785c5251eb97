"""The commands `kitgauge protocols ...`: list, show and check test sequences."""

from __future__ import annotations

import typer

from kitgauge import cli_options as options
from kitgauge.readable_text import tell

protocols_app = typer.Typer(
    help="List the test sequences, show one, or check a file of your own.\n\n"
    "Examples:\n\n  kitgauge protocols\n\n  kitgauge protocols show noise-ladder\n\n"
    "  kitgauge protocols check my-series.toml",
    rich_markup_mode=None,
)


@protocols_app.callback(invoke_without_command=True)
def protocols(context: typer.Context) -> None:
    """List the protocols that come with kitgauge; see also 'show' and 'check'."""
    if context.invoked_subcommand is None:
        from rich.console import Console

        from kitgauge.protocol.brief import protocols_table
        from kitgauge.protocol.loading import shipped_protocols

        Console().print(protocols_table(shipped_protocols()))


@protocols_app.command("show")
def protocols_show(protocol: options.Protocol) -> None:
    """Show what a protocol asks for and what it measures.

    Example:

      kitgauge protocols show handheld-shutter
    """
    from rich.console import Console

    from kitgauge.protocol.brief import protocol_summary
    from kitgauge.protocol.loading import load_protocol

    Console().print(protocol_summary(load_protocol(protocol)))


@protocols_app.command("check")
def protocols_check(file: options.ProtocolFile) -> None:
    """Check a protocol file of your own, to the last key.

    Example:

      kitgauge protocols check my-series.toml
    """
    from kitgauge.protocol.loading import load_protocol
    from kitgauge.protocol.shot_list import shot_list

    loaded = load_protocol(file)
    shots = shot_list(loaded.protocol)
    tell(f"{file}: good. {loaded.protocol.title}: {shots.frames} frames in {len(shots.shots)} shots.")
