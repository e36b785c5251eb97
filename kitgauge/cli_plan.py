"""The command `kitgauge plan`: settings for a light and a subject, a grid of them, or the entries of automatic ISO."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from kitgauge import cli_options as options
from kitgauge.readable_text import tell

_Light = Annotated[
    str | None,
    typer.Option(metavar="LIGHT", help="ev9.5, 800lux, 1/60,f4,iso800, or the path of a frame of the scene."),
]
_Subject = Annotated[
    str | None,
    typer.Option(
        metavar="still|moving|fast|SPEED|NAME",
        help="still: a person holding still (the default); a speed (1400 in mm/s, 1.4m/s, 5km/h), 0 for what does not "
        "move at all; or the name of a measured subject.",
    ),
]
_Direction = Annotated[
    float | None,
    typer.Option(metavar="DEG", help="Angle of its path to the line of sight: 90 across, 0 towards the camera."),
]
_Technique = Annotated[
    str | None,
    typer.Option(metavar="T", help="How the camera is held, as measured; 'tripod' or 'monopod' need no measuring."),
]
_Stabiliser = Annotated[
    float | None,
    typer.Option(metavar="STOPS", help="Stops that a stabiliser gains, where the hands were measured without it."),
]
_Lens = Annotated[str | None, typer.Option(metavar="NAME", help="Lens, as measured; 'other' for one that was not.")]
_PrintCm = Annotated[
    float | None, typer.Option("--print-cm", metavar="CM", help="Long side of a print, in place of --output-mp ...")
]
_ViewingCm = Annotated[
    float | None, typer.Option("--viewing-cm", metavar="CM", help="... and the distance from which it is seen.")
]
_Keepers = Annotated[int | None, typer.Option(metavar="N", help="How many sharp frames are wanted.")]
_Confidence = Annotated[float | None, typer.Option(metavar="P", help="How sure to be of them, 0 to 1; default 0.95.")]
_Nd = Annotated[float | None, typer.Option("--nd", metavar="STOPS", help="Neutral-density filter on the lens.")]
_Margin = Annotated[
    float | None,
    typer.Option("--highlight-margin", metavar="STOPS", help="How much darker than metered, to keep highlights."),
]
_IsoMin = Annotated[float | None, typer.Option(metavar="ISO", help="Lowest ISO of the camera.")]
_IsoMax = Annotated[float | None, typer.Option(metavar="ISO", help="Highest ISO of the camera.")]
_FMin = Annotated[float | None, typer.Option(metavar="F", help="Lowest f-number of the lens.")]
_FMax = Annotated[float | None, typer.Option(metavar="F", help="Highest f-number of the lens.")]
_Fastest = Annotated[str | None, typer.Option(metavar="S", help="Fastest shutter time of the camera: 1/4000 ...")]
_Slowest = Annotated[str | None, typer.Option(metavar="S", help="Slowest shutter time of the camera: 30 ...")]
_Dial = Annotated[str | None, typer.Option(metavar="thirds|halves|whole", help="Steps of the camera's dials.")]
_Why = Annotated[bool, typer.Option("--why", help="Explain each choice, and compare the f-numbers.")]
_Table = Annotated[
    bool, typer.Option("--table", help="Print settings for everyday light and subjects; needs no --light.")
]
_AutoIso = Annotated[
    bool, typer.Option("--auto-iso", help="Print what to enter in the camera's automatic ISO; needs no --light.")
]


def plan(
    light: _Light = None,
    focal: options.Focal = None,
    near: options.Near = None,
    far: options.Far = None,
    distance: options.Distance = None,
    subject: _Subject = None,
    direction: _Direction = None,
    technique: _Technique = None,
    stabiliser: _Stabiliser = None,
    lens: _Lens = None,
    output_mp: options.OutputMp = None,
    print_cm: _PrintCm = None,
    viewing_cm: _ViewingCm = None,
    keep: options.Keep = None,
    keepers: _Keepers = None,
    confidence: _Confidence = None,
    nd: _Nd = None,
    highlight_margin: _Margin = None,
    iso_min: _IsoMin = None,
    iso_max: _IsoMax = None,
    f_min: _FMin = None,
    f_max: _FMax = None,
    fastest: _Fastest = None,
    slowest: _Slowest = None,
    dial: _Dial = None,
    kit: options.Kit = None,
    results: options.Results = Path("results"),
    why: _Why = False,
    table: _Table = False,
    auto_iso: _AutoIso = False,
    json_output: options.Json = False,
) -> None:
    """Choose shutter speed, aperture and ISO for a light and a subject, from your limits.

    Flash is not covered: its light is no part of the exposure that is planned here.

    Examples:

      kitgauge plan --light ev9.5 --focal 85 --distance 2

      kitgauge plan --light 1/60,f4,iso800 --focal 35 --near 2 --far 4 --subject moving --why

      kitgauge plan --light scene.dng --focal 200 --distance 20 --subject 40km/h --direction 45 --keepers 3

      kitgauge plan --table --focal 50

      kitgauge plan --auto-iso --focal 50 --subject moving
    """
    from kitgauge.planner.command import answer
    from kitgauge.planner.plan import Plan

    asked = {
        "light": light, "focal_mm": focal, "near_m": near, "far_m": far, "distance_m": distance, "subject": subject,
        "direction_deg": direction, "technique": technique, "stabiliser_stops": stabiliser, "lens": lens,
        "output_mp": output_mp, "print_long_side_cm": print_cm, "viewing_distance_cm": viewing_cm, "keep": keep,
        "keepers": keepers, "confidence": confidence, "nd_stops": nd, "highlight_margin_stops": highlight_margin,
    }  # fmt: skip
    camera: dict[str, Any] = {"iso_min": iso_min, "iso_max": iso_max, "f_min": f_min, "f_max": f_max}
    camera |= {"shutter_fastest_s": fastest, "shutter_slowest_s": slowest, "dial_step": dial}
    made = answer(results, kit, asked, camera, table=table, auto_iso=auto_iso)
    if json_output:
        from kitgauge.runs.files import to_json

        sys.stdout.write(to_json(made.as_dict(), ascii_only=True))
    else:
        tell((made.explained() if why and isinstance(made, Plan) else made.text()).rstrip())
