"""The options and arguments of the command line, with their help: one place for what several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def _protocol_ids() -> list[str]:
    """Return the ids of the shipped protocols, for the shell to complete; nothing where they cannot be read."""
    from kitgauge.errors import KitgaugeError
    from kitgauge.protocol.loading import shipped_protocols

    try:
        return [loaded.protocol.id for loaded in shipped_protocols()]
    except KitgaugeError:
        return []


Protocol = Annotated[
    str,
    typer.Argument(metavar="PROTOCOL", help="Id of a protocol, or a protocol file.", autocompletion=_protocol_ids),
]
ProtocolFile = Annotated[Path, typer.Argument(metavar="FILE", help="Protocol file (TOML).")]
Frames = Annotated[Path, typer.Argument(metavar="FRAMES", help="Folder with the frames, copied from the card.")]
ClassFolder = Annotated[
    Path, typer.Argument(metavar="FOLDER", help="Folder with a subfolder of frames for each learner.")
]
RunFolder = Annotated[Path, typer.Argument(metavar="RUN", help="Folder of a run, with run.json and curves.json.")]
RunFolders = Annotated[
    list[Path], typer.Argument(metavar="RUN...", help="Folders of runs, the one to compare with first.")
]
LimitNumbers = Annotated[
    list[int], typer.Argument(metavar="NUMBER...", help="Numbers as 'kitgauge limits' lists them.")
]

Version = Annotated[bool, typer.Option("--version", help="Print the version and stop.")]
Results = Annotated[
    Path, typer.Option("--results", metavar="DIR", help="Folder of all results, one folder per kit below it.")
]
Json = Annotated[bool, typer.Option("--json", help="Print JSON on standard output and nothing else there.")]
Kit = Annotated[
    str | None,
    typer.Option("--kit", metavar="NAME", help="Folder name of the kit; needed if there are several."),
]

# run
Out = Annotated[Path | None, typer.Option(metavar="DIR", help="Write this run here instead of below --results.")]
Criterion = Annotated[
    list[str] | None,
    typer.Option(
        metavar="KEY=VALUE",
        help="What counts as good enough: snr, output_mp (or print_long_side_cm with viewing_distance_cm), shadow_snr "
        "with shadow_stops, streak_px (or streak_um_35mm), keep, mtf50_fraction, picture_mtf, focus_loss; may be "
        "repeated, each key once.",
    ),
]
HeldHow = Annotated[
    str | None, typer.Option(metavar="T", help="How the camera was held, in your words: standing, braced ...")
]
Settings = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE.csv",
        help="Settings that override or fill metadata: file,iso,shutter_s,f_number,focal_mm,step.",
    ),
]
PitchUm = Annotated[
    float | None,
    typer.Option("--pitch-um", metavar="UM", help="Pixel pitch in micrometres, if not in the frames."),
]
Body = Annotated[str | None, typer.Option(metavar="NAME", help="Take the frames of this body only.")]
OnlyLens = Annotated[
    str | None,
    typer.Option(metavar="NAME", help="Take the frames of this lens only; or the name of a lens that writes none."),
]
Teleconverter = Annotated[
    float | None,
    typer.Option(metavar="FACTOR", help="Factor of a teleconverter that the camera does not know of: 1.4, 2 ..."),
]
Region = Annotated[
    list[str] | None,
    typer.Option(
        metavar="X,Y,W,H",
        help="Look for edges in this part of the frame as shown only: left, top, width and height in pixels or percent "
        "(10%,20%,15%,15%); any straight edge serves, also a door frame; may be repeated.",
    ),
]
SubjectName = Annotated[
    str | None,
    typer.Option("--subject-name", metavar="NAME", help="What a plan may call the moving subject: 'nodding head' ..."),
]
DistanceM = Annotated[
    float | None,
    typer.Option(
        "--distance-m",
        metavar="M",
        help="Distance from lens to moving subject; not needed where the printed target's markers are in view.",
    ),
]
Workers = Annotated[int | None, typer.Option(metavar="N", min=1, max=64, help="Frames worked on at a time.")]
Dask = Annotated[
    str | None,
    typer.Option(
        "--dask",
        metavar="ADDRESS",
        help="Do the work on a Dask cluster: its scheduler's address (tcp://host:8786) or scheduler file.",
    ),
]
NoCache = Annotated[bool, typer.Option("--no-cache", help="Measure every frame again, and keep nothing for later.")]
Watch = Annotated[
    bool,
    typer.Option("--watch", help="Wait for the frames: judge each as it arrives, say what to shoot next. Ctrl-C ends."),
]
Enough = Annotated[
    float | None,
    typer.Option(
        metavar="STOPS",
        help="With --watch: width of the limit's 95 % interval that is enough; default 0.5 for a shutter speed, else "
        "a third.",
    ),
]
WatchIsoMin = Annotated[float | None, typer.Option("--iso-min", help="With --watch: lowest ISO of the shot list.")]
WatchIsoMax = Annotated[float | None, typer.Option("--iso-max", help="With --watch: highest ISO of the shot list.")]
WatchFMin = Annotated[float | None, typer.Option("--f-min", help="With --watch: lowest f-number of the lens.")]
WatchFMax = Annotated[float | None, typer.Option("--f-max", help="With --watch: highest f-number of the lens.")]
WatchFastest = Annotated[
    str | None, typer.Option("--fastest", metavar="S", help="With --watch: fastest shutter time: 1/4000 ...")
]
WatchSlowest = Annotated[
    str | None, typer.Option("--slowest", metavar="S", help="With --watch: slowest shutter time: 30 ...")
]

# brief
IsoMin = Annotated[float, typer.Option(metavar="ISO", help="Lowest ISO of the camera.")]
IsoMax = Annotated[float, typer.Option(metavar="ISO", help="Highest ISO of the camera.")]
FMin = Annotated[float, typer.Option(metavar="F", help="Lowest f-number of the lens.")]
FMax = Annotated[float, typer.Option(metavar="F", help="Highest f-number of the lens.")]
Focal = Annotated[
    float | None, typer.Option(metavar="MM", help="Focal length; with frames of a zoom, the one to take.")
]
Focal35mm = Annotated[
    float | None, typer.Option("--focal-35mm", metavar="MM", help="Focal length in 35 mm terms, if known.")
]
Fastest = Annotated[str, typer.Option(metavar="S", help="Fastest shutter time: 1/4000 ...")]
Slowest = Annotated[str, typer.Option(metavar="S", help="Slowest shutter time: 30 ...")]
LightEv = Annotated[
    float | None, typer.Option("--light-ev", metavar="EV", help="Light at hand as exposure value at ISO 100.")
]
Page = Annotated[Path | None, typer.Option(metavar="FILE.html", help="Write a page to print instead.")]

# target
Paper = Annotated[
    str, typer.Option(metavar="a4|a3|letter|WxHmm", help="Paper: a name (lying), or a size such as 1000x700mm.")
]
TargetOut = Annotated[Path, typer.Option(metavar="FILE.pdf", help="Where to write the target.")]
Sheets = Annotated[
    int,
    typer.Option(
        metavar="1-5", help="Sheets: 1, or 5 for a large frame (centre and four corners, told apart by code)."
    ),
]
SquareMm = Annotated[
    float | None, typer.Option("--square-mm", metavar="MM", help="Side of the squares; default: the largest that fits.")
]
Contrast = Annotated[
    float,
    typer.Option(metavar="RATIO", help="Paper's luminance over the ink's, 2 to 10; about 4 neither clips nor flares."),
]
BlackInk = Annotated[
    bool, typer.Option("--black", help="Solid black, for printers that make grey of coarse dots (laser printers).")
]

# demo
DemoOut = Annotated[Path, typer.Option(metavar="DIR", help="Folder for the frames and results.")]
Seed = Annotated[int, typer.Option(metavar="N", min=0, help="Seed of the simulation.")]

# limits
AcceptResults = Annotated[
    Path | None,
    typer.Option(
        "--results", metavar="DIR", help="Folder of all results; default: where the run lies, else 'results'."
    ),
]
Replace = Annotated[bool, typer.Option("--replace", help="Replace accepted limits for the same thing by the new ones.")]

# compare
ComparisonPage = Annotated[
    Path | None, typer.Option("--out", metavar="FILE.html", help="Write a page with a picture as well.")
]

# card
CardFocals = Annotated[
    list[str] | None,
    typer.Option("--focal", metavar="MM", help="Focal length; several: 24,35,85, or repeated. Default: as measured."),
]
CardLenses = Annotated[
    list[str] | None, typer.Option("--lens", metavar="NAME", help="Lens, as measured; may be repeated. Default: all.")
]
CardOut = Annotated[Path, typer.Option("--out", metavar="FILE.html|FILE.pdf", help="Page or printed card to write.")]

# plan
Near = Annotated[float | None, typer.Option(metavar="M", help="Nearest point that must be sharp.")]
Far = Annotated[float | None, typer.Option(metavar="M", help="Farthest point that must be sharp.")]
Distance = Annotated[float | None, typer.Option(metavar="M", help="Distance of a subject without depth.")]
Technique = Annotated[
    str | None, typer.Option(metavar="T", help="How the camera is held, as measured; 'tripod' if it is not.")
]
OutputMp = Annotated[float | None, typer.Option("--output-mp", metavar="X", help="Megapixels of the picture as used.")]
Keep = Annotated[float | None, typer.Option(metavar="P", help="Share of frames that must be sharp, 0 to 1.")]
