"""The command line: parse, call one function, print. The only place that turns errors into exit codes.

Exit codes: 0 complete, 1 error, 2 usage, 3 partial (results written, something missing). Heavy libraries are loaded
inside the commands that need them, so that help and plans start at once.
"""

from __future__ import annotations

import copy
import gc
import os
import signal
import sys
from pathlib import Path
from typing import Any, NoReturn

import typer
import typer.exceptions

from kitgauge import cli_options as options
from kitgauge.cli_batch import batch
from kitgauge.cli_card import card
from kitgauge.cli_class import class_
from kitgauge.cli_compare import compare
from kitgauge.cli_limits import limits_app
from kitgauge.cli_plan import plan
from kitgauge.cli_protocols import protocols_app
from kitgauge.cli_review import review
from kitgauge.cli_values import QuickCommand, QuickGroup
from kitgauge.cli_verify import verify
from kitgauge.cli_watch import only_with_watch, watched_run
from kitgauge.errors import DEBUG_VARIABLE, KitgaugeError, UsageError, fault_message
from kitgauge.readable_text import tell

_GARBAGE_AFTER = 100_000  # new objects between searches for cycles: imports and results make many, hardly one a cycle
EXIT_ERROR, EXIT_USAGE, EXIT_PARTIAL, EXIT_INTERRUPTED = 1, 2, 3, 130

app = typer.Typer(
    name="kitgauge",
    cls=QuickGroup,
    help="Turn your own test frames into personal limits for shutter speed, aperture and ISO, and plan with them.",
    epilog="Start: 'kitgauge brief noise-ladder' says what to shoot, 'kitgauge run noise-ladder FOLDER' measures it.",
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.add_typer(protocols_app, name="protocols", short_help="List, show or check test sequences.")
app.command(short_help="Compare blur runs: techniques, stabiliser, months.")(compare)
app.command(short_help="Write a field card: limits and settings on one page.")(card)
app.command(short_help="Say what went wrong in frames taken, and what to set next.")(review)
app.command(short_help="Work a run out again and compare every number.")(verify)
app.command(short_help="Choose settings for a light and a subject.", cls=QuickCommand)(plan)
app.command("class", short_help="Run a practice protocol for a class of learners.")(class_)
app.command(short_help="Measure many kits and say which differs.")(batch)
app.add_typer(limits_app, name="limits", short_help="Show, accept or drop personal limits.")


@app.callback(invoke_without_command=True)
def _root(context: typer.Context, version: options.Version = False) -> None:
    if version:
        import kitgauge

        typer.echo(f"kitgauge {kitgauge.__version__}")
    elif context.invoked_subcommand is None:
        typer.echo(context.get_help())


@app.command(short_help="Measure a folder of frames.")
def run(
    protocol: options.Protocol,
    frames: options.Frames,
    out: options.Out = None,
    results: options.Results = Path("results"),
    criterion: options.Criterion = None,
    technique: options.HeldHow = None,
    settings: options.Settings = None,
    pitch_um: options.PitchUm = None,
    focal: options.Focal = None,
    teleconverter: options.Teleconverter = None,
    body: options.Body = None,
    lens: options.OnlyLens = None,
    region: options.Region = None,
    subject_name: options.SubjectName = None,
    distance_m: options.DistanceM = None,
    workers: options.Workers = None,
    dask: options.Dask = None,
    no_cache: options.NoCache = False,
    json_output: options.Json = False,
    watch: options.Watch = False,
    enough: options.Enough = None,
    iso_min: options.WatchIsoMin = None,
    iso_max: options.WatchIsoMax = None,
    f_min: options.WatchFMin = None,
    f_max: options.WatchFMax = None,
    fastest: options.WatchFastest = None,
    slowest: options.WatchSlowest = None,
) -> None:
    """Measure a folder of frames: points, fits, limits, report.

    Examples:

      kitgauge run noise-ladder frames/noise

      kitgauge run handheld-shutter frames/hands --technique standing --criterion keep=0.9

      kitgauge run subject-motion frames/head --subject-name "nodding head"

      kitgauge run aperture-sweep frames/adapted-lens --settings settings.csv --pitch-um 4.3 --focal 58

      kitgauge run aperture-sweep frames/door --region 40%,30%,20%,40% --region 5%,5%,15%,20%

      kitgauge run noise-ladder tethered/today --watch --iso-max 12800
    """
    from kitgauge.limits.criteria import parse_criteria
    from kitgauge.report.progress import progress_display

    criteria = parse_criteria(criterion or [])
    from kitgauge.ingest.worker_pool import prepare_workers

    if dask is None:
        prepare_workers()
    from kitgauge import runner

    asked: dict[str, Any] = {
        "out": out,
        "results": results,
        "criteria": criteria,
        "technique": technique,
        "settings": settings,
        "pitch_um": pitch_um,
        "focal_mm": focal,
        "teleconverter": teleconverter,
        "body": body,
        "lens": lens,
        "regions": region or [],
        "subject_name": subject_name,
        "distance_m": distance_m,
        "workers": workers,
        "use_cache": not no_cache,
    }
    for_watching = {
        "iso_min": iso_min,
        "iso_max": iso_max,
        "f_min": f_min,
        "f_max": f_max,
        "shutter_fastest_s": fastest,
        "shutter_slowest_s": slowest,
        "enough_stops": enough,
    }
    if watch:
        if dask is not None:
            raise UsageError(
                "a watched folder is measured on this computer",
                where="--dask",
                got="--dask with --watch",
                needed="one of the two",
                fix="leave one of them out",
            )
        done = watched_run(protocol, frames, for_watching, json_output=json_output, **asked)
    else:
        only_with_watch(for_watching)
        with progress_display() as progress:
            if dask is None:
                done = runner.run(protocol, frames, progress=progress, **asked)
            else:
                from kitgauge.runs.cluster import run_on_cluster

                done = run_on_cluster(dask, protocol, frames, progress=progress, **asked)
    if json_output:
        from kitgauge.runs.files import to_json

        sys.stdout.write(to_json(done.curves, ascii_only=True))
    else:
        from rich.console import Console

        from kitgauge.limits.commands import differences
        from kitgauge.report.data import load_run
        from kitgauge.report.tables import print_summary

        print_summary(load_run(done.folder), Console())
        if done.report is not None:
            tell(f"Report: {done.report}")
        for line in differences(done.limits, done.curves["kit"], results):
            tell(line)
        if done.limits and out is None:
            tell(f"To plan with these limits: kitgauge limits accept {done.folder}{_where(results)}")
    # on a terminal the summary has said all this; a program that reads a pipe is told apart from the results
    if json_output or not sys.stdout.isatty():
        for note in done.notes:
            tell(f"Note: {note}", err=True)
        if done.status != "complete":
            tell(f"Partial: {done.reason}", err=True)
    elif done.report is None:
        tell(f"Partial: {done.reason}", err=True)
    for remark in done.remarks:
        tell(f"Note: {remark}", err=True)
    if done.status != "complete":
        raise typer.Exit(EXIT_PARTIAL)


def _where(results: Path) -> str:
    return "" if results == Path("results") else f" --results {results}"


@app.command(short_help="Build the report of a run again.")
def report(run_folder: options.RunFolder) -> None:
    """Build report.html of a run again from its results.

    Example:

      kitgauge report results/my-body/noise-ladder-2026-01-31-101500
    """
    from kitgauge.report.page import write_report

    tell(f"Report: {write_report(run_folder)}")


@app.command(short_help="Say what to shoot.")
def brief(
    protocol: options.Protocol,
    iso_min: options.IsoMin = 100,
    iso_max: options.IsoMax = 25600,
    f_min: options.FMin = 2.8,
    f_max: options.FMax = 22,
    focal: options.Focal = None,
    focal_35mm: options.Focal35mm = None,
    fastest: options.Fastest = "1/8000",
    slowest: options.Slowest = "30",
    pitch_um: options.PitchUm = None,
    light_ev: options.LightEv = None,
    out: options.Page = None,
) -> None:
    """Say what to shoot: numbered shots with exact settings, set-up, time needed, cautions.

    Examples:

      kitgauge brief noise-ladder --iso-max 12800

      kitgauge brief handheld-shutter --focal 85 --pitch-um 4.3 --out brief.html
    """
    from kitgauge.protocol.brief import brief_html, brief_text
    from kitgauge.protocol.loading import load_protocol
    from kitgauge.protocol.marked import parse_shutter_text
    from kitgauge.protocol.shot_list import CameraRange, shot_list

    loaded = load_protocol(protocol)
    camera = CameraRange(
        iso_min=iso_min,
        iso_max=iso_max,
        f_min=f_min,
        f_max=f_max,
        shutter_fastest_s=parse_shutter_text(fastest, "--fastest"),
        shutter_slowest_s=parse_shutter_text(slowest, "--slowest"),
        focal_mm=focal,
        focal_35mm=focal_35mm,
        pitch_um=pitch_um,
        light_ev100=light_ev,
    )
    shots = shot_list(loaded.protocol, camera)
    if out is None:
        from rich.console import Console

        Console().print(brief_text(shots, protocol))
    else:
        from kitgauge.atomic import write_atomically

        write_atomically(out, brief_html(shots, loaded, protocol))
        tell(f"Shot list: {out}")


@app.command(short_help="Write the target to print.")
def target(
    out: options.TargetOut = Path("target.pdf"),
    paper: options.Paper = "a4",
    sheets: options.Sheets = 1,
    square_mm: options.SquareMm = None,
    contrast: options.Contrast = 4.0,
    black: options.BlackInk = False,
) -> None:
    """Write the target for sharpness and handheld blur as a PDF file to print at 100 %.

    Examples:

      kitgauge target --paper a4 --sheets 5 --out target.pdf

      kitgauge target --paper 1000x700mm --square-mm 80 --out poster.pdf
    """
    from kitgauge.target.pdf import write_target

    what = write_target(out, paper=paper, sheets=sheets, square_mm=square_mm, contrast=contrast, black=black)
    tell(f"Target: {out} ({what})")
    typer.echo("Print it at 100 %, unscaled, on matt paper, and check the ruler on it.")


@app.command(short_help="Try it all on a simulated kit.")
def demo(out: options.DemoOut = Path("kitgauge-demo"), seed: options.Seed = 1) -> None:
    """Simulate a small invented kit and run the three main protocols on it: measured against true.

    Example:

      kitgauge demo --out my-demo
    """
    from rich.console import Console

    from kitgauge.demo import run_demo
    from kitgauge.report.progress import progress_display

    with progress_display() as progress:
        result = run_demo(out, seed=seed, progress=progress)
    result.print(Console())


def main() -> NoReturn:
    """Run the command line; every error becomes one message on standard error and an exit code."""
    for stream in (sys.stdout, sys.stderr):
        # a file name of any bytes can be printed, on any terminal
        stream.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]
    # Workers use the cores: threads of linear algebra beside them wait in loops that cost as much as work.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    gc.set_threshold(_GARBAGE_AFTER, 20, 20)
    for name in ("SIGTERM", "SIGHUP"):  # told to end, or the terminal has gone: as Ctrl-C, with the results so far
        if (number := getattr(signal, name, None)) is not None and signal.getsignal(number) == signal.SIG_DFL:
            signal.signal(number, signal.default_int_handler)
    sys.exit(_exit_code())


def _asked_for(names: list[str]) -> typer.Typer:
    """Return the commands to build: the one that is named alone, since building all takes time; else all."""
    named = [info for info in app.registered_commands if [info.name or getattr(info.callback, "__name__", "")] == names]
    if not named:
        return app
    alone = copy.copy(app)
    alone.registered_commands, alone.registered_groups = named, []
    return alone


def _exit_code() -> int:
    try:
        outcome = typer.main.get_command(_asked_for(sys.argv[1:2])).main(prog_name="kitgauge", standalone_mode=False)
    except KitgaugeError as error:
        _complain(error.message())
        return error.exit_code
    except typer.exceptions.TyperException as error:
        context = getattr(error, "ctx", None)
        command = context.command_path if context is not None else "kitgauge"
        _complain(f"{error.format_message()}\n  fix:    see '{command} --help'")
        return EXIT_USAGE
    except typer.Abort:
        _complain("stopped")
        return EXIT_ERROR
    except KeyboardInterrupt:
        _complain("stopped")
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        # the reader has gone (as in `kitgauge protocols | head -1`): nothing to say, and no second error at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_ERROR
    except MemoryError:
        _complain("not enough memory\n  fix:    use fewer --workers, or close other programs")
        return EXIT_ERROR
    except Exception as error:
        if os.environ.get(DEBUG_VARIABLE):
            raise
        _complain(fault_message(error))
        return EXIT_ERROR
    if outcome == EXIT_INTERRUPTED:  # typer's own way to tell of Ctrl-C
        _complain("stopped")
    return outcome if isinstance(outcome, int) else 0


def _complain(message: str) -> None:
    tell(f"kitgauge: {message}", err=True)


if __name__ == "__main__":
    main()
