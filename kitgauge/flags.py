"""The registry of quality flags: the one source for code, reports and documentation.

A flag has a name (as written in files), a short text, an advice to the user, and a severity. A frame that carries a
`REJECT` flag is not measured; `DOUBT` travels with the numbers; `NOTE` only tells how a number came about.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Severity(Enum):
    """What a flag does to the frame or number that carries it."""

    REJECT = "reject"
    DOUBT = "doubt"
    NOTE = "note"


@dataclass(frozen=True)
class Flag:
    """One quality flag."""

    name: str
    severity: Severity
    text: str
    advice: str


_R, _D, _N = Severity.REJECT, Severity.DOUBT, Severity.NOTE

FLAGS: dict[str, Flag] = {
    flag.name: flag
    for flag in (
        # whole files
        Flag("unreadable", _R, "the file cannot be decoded", "copy it from the card again, or shoot it again"),
        Flag("measurement-failed", _R, "measuring this frame failed", "please report it, with the file"),
        Flag("empty-picture", _R, "every sample has the same value", "copy the file from the card again"),
        Flag("not-raw-samples", _R, "the file holds developed colours, not the sensor's samples", "record raw"),
        Flag("no-settings", _D, "the file tells no settings", "give them with --settings FILE.csv"),
        Flag(
            "rendered",
            _D,
            "developed by the camera or a program: tone curve, noise reduction and sharpening are in it",
            "record raw; a limit from this holds for this picture style only",
        ),
        Flag("different-size", _R, "the frame has another size than the rest", "use one image size for the series"),
        Flag(
            "different-profile",
            _R,
            "the picture has another colour profile, or other colours or bits, than the rest",
            "use one picture style and colour space for the series",
        ),
        Flag(
            "noise-below-rounding",
            _D,
            "noise is finer than the whole codes of the file: only an upper bound is known",
            "save pictures with 16 bits, or count this ISO as clean",
        ),
        Flag(
            "level-scaled",
            _N,
            "measured at another level than mid-grey and carried over: the error allows for that",
            "expose one pair of flats at mid-grey, the middle of the histogram",
        ),
        # flats and darks
        Flag("clipped", _R, "highlights are clipped", "expose less"),
        Flag(
            "clipped-black",
            _D,
            "black is cut off in the file: read noise from it would be too low",
            "read noise cannot be measured from these files; it is left out",
        ),
        Flag(
            "rounding-dominates",
            _D,
            "the dark frames' noise is so far below one code that their level does not show it",
            "take read noise from a higher ISO; at this one rounding is what limits shadows",
        ),
        Flag("too-dark", _R, "the flat is too dark to measure", "expose the flat to the middle of the histogram"),
        Flag("uneven-light", _D, "the light falls off strongly over the flat", "light the card more evenly"),
        Flag("flicker", _D, "bands from flickering light", "use daylight, or a shutter time of whole mains periods"),
        Flag(
            "light-leak",
            _D,
            "the dark frame is not dark: read noise from it would be too high",
            "cap the lens and cover the viewfinder; read noise is left out",
        ),
        Flag("textured", _D, "the flat shows texture or an edge", "throw the card fully out of focus"),
        Flag(
            "light-changed",
            _D,
            "the light changed much between the two frames of a pair",
            "shoot pairs quickly, in steady light",
        ),
        Flag(
            "correlated-noise",
            _D,
            "neighbouring samples are correlated: noise reduction acted on the raw",
            "switch noise reduction off; these numbers describe the processed file",
        ),
        Flag(
            "missing-codes",
            _D,
            "sample values are missing at regular steps: this ISO is scaled digitally",
            "expect no gain from this ISO value",
        ),
        Flag(
            "scaled-down",
            _D,
            "some sample values hold two old ones: this ISO is pulled digitally from a higher one",
            "use the ISO it is made from: same noise, and highlights are clipped no earlier",
        ),
        Flag(
            "padded-codes",
            _N,
            "sample values are the same steps apart at every ISO: the file holds fewer bits than it could",
            "nothing to do for these numbers; look for a setting of more bits per sample",
        ),
        Flag(
            "lossy-raw",
            _D,
            "the raw was packed with loss: sample values are missing among bright levels, or within blocks",
            "record raw without loss (uncompressed, or lossless compression)",
        ),
        Flag(
            "tone-curved",
            _D,
            "noise does not rise with the level as in a linear raw: a tone curve or evened-out shading is in the file",
            "switch shading correction and tone settings off and record raw; gain and read noise are not the sensor's",
        ),
        Flag(
            "neighbour-filtered",
            _D,
            "samples that stand out from their neighbours were cut down: noise reduction acted on the raw",
            "switch noise reduction for long exposures and high ISO off; these numbers describe the processed file",
        ),
        Flag(
            "dark-subtracted",
            _D,
            "the camera subtracted a dark frame after the exposure: read noise comes out 1.4 times too high",
            "switch long-exposure noise reduction off and shoot the dark frames again",
        ),
        Flag(
            "iso-changed",
            _R,
            "the ISO, or the gain behind it, changed between the two frames of a pair",
            "set ISO by hand, automatic ISO off, and shoot the pair again",
        ),
        Flag(
            "white-balance-applied",
            _D,
            "red or blue was multiplied for white balance before the file was written",
            "trust green; set white balance to fixed daylight, and automatic white balance off",
        ),
        Flag(
            "moving-shadow",
            _D,
            "a shadow moved over the flat between the two frames",
            "stand clear of the card, away from leaves and people, and shoot the pair again",
        ),
        Flag(
            "dust-moved",
            _N,
            "dust lay elsewhere in the second frame; those places were left out",
            "blow the sensor clean before the next series",
        ),
        Flag("no-pair", _D, "no pair of such frames: noise needs one", "shoot two frames with the same settings"),
        Flag(
            "no-dark", _D, "no dark pair at this setting: read noise not measured", "shoot two frames with the cap on"
        ),
        Flag("black-from-metadata", _N, "black level taken from the file's metadata", ""),
        Flag("black-from-dark", _N, "black level taken from the dark frames", ""),
        Flag("black-unknown", _D, "black level not known; 0 was assumed", "shoot dark frames"),
        Flag("saturation-from-metadata", _N, "saturation taken from the file's white level, not seen in a frame", ""),
        Flag(
            "limit-at-highest",
            _N,
            "the highest measured ISO still serves: the limit is at least that",
            "measure higher ISO values to find where it ends",
        ),
        # edges
        Flag("no-edge", _R, "no usable edge found", "fill the frame with the target, square to the camera, in focus"),
        Flag(
            "low-contrast", _D, "too little contrast across the edge", "light the target better, or use a darker print"
        ),
        Flag("edge-clipped", _D, "samples beside the edge are clipped", "expose less"),
        Flag("edge-short", _D, "the edge is too short", "move closer, or print the target larger"),
        Flag("edge-curved", _D, "the edge is not straight", "flatten the print"),
        Flag(
            "edge-angle",
            _D,
            "the edge is too close to 0 or 45 degrees to be sampled finely",
            "tilt the target by about 5 degrees",
        ),
        Flag("edge-noisy", _D, "too noisy to measure", "more light, or more frames"),
        Flag(
            "edge-textured",
            _D,
            "texture or dirt on the edge or beside it, or no clean edge at all",
            "use a clean, smooth print; leaves, brick and writing are no target",
        ),
        Flag(
            "edge-crowded",
            _D,
            "something else is too close to the edge, or overlaps it",
            "leave the ground clear on both sides of an edge, and nothing in front of the target",
        ),
        Flag(
            "region-outside",
            _R,
            "a region given with --region does not fit into this frame",
            "give regions in percent, or use frames of one size held one way",
        ),
        Flag(
            "not-of-target",
            _N,
            "an edge that is not part of the target",
            "nothing to do: the target's own edges are measured; --region measures another one",
        ),
        Flag(
            "sharpened",
            _D,
            "sharper than diffraction and pixel allow: the file was sharpened, or the pixel pitch is wrong",
            "record raw, check --pitch-um",
        ),
        Flag(
            "optics-refuted",
            _D,
            "the points do not follow diffraction, pixel and lens blur: a smooth curve was drawn through them",
            "check --pitch-um and the f-numbers, and look for frames that shook",
        ),
        Flag(
            "softer-than-its-twin",
            _D,
            "clearly softer than another frame of the same setting: shake, or the focus moved",
            "shoot it again, with a remote release or the self-timer",
        ),
        Flag(
            "best-of-refocused",
            _N,
            "from the frames that came nearest to the focus, of several focused one by one; what they still lack of it "
            "was estimated and added",
            "",
        ),
        Flag("single-frame", _D, "one frame only: repeatability unknown", "shoot at least two per setting"),
        Flag("pitch-unknown", _D, "pixel pitch unknown: results in pixels only", "give --pitch-um"),
        Flag(
            "sharpest-at-end",
            _D,
            "the sharpest f-number is the first or last one measured",
            "shoot more f-numbers on that side, if the lens has them",
        ),
        Flag("range-open", _N, "the sharp range goes on beyond the f-numbers measured", ""),
        Flag(
            "criterion-not-met",
            _D,
            "no setting meets the criterion: the nearest one is given",
            "set a lower criterion, or use another lens",
        ),
        # blur
        Flag("no-reference", _R, "no tripod frame to compare with", "shoot the tripod frames first"),
        Flag("too-blurred", _N, "too blurred to measure: counted as longer than what could still be measured", ""),
        Flag("below-floor", _N, "as sharp as the tripod frames: counted as shorter than what could be measured", ""),
        Flag(
            "orientation-missing",
            _D,
            "edges in one direction only: blur along the edge is not seen",
            "use a target with edges in both directions",
        ),
        Flag(
            "ladder-too-fast",
            _D,
            "the limit is slower than the slowest shutter speed measured",
            "shoot slower speeds as well",
        ),
        Flag(
            "tripod-unsteady",
            _D,
            "the tripod frames differ among themselves, or a handheld frame is sharper than they are",
            "were these on a tripod, and in focus? put the tripod frames in a folder tripod/, the others in handheld/",
        ),
        Flag(
            "model-misfit",
            _D,
            "the frames do not follow the model: some are lost at any speed, or keep rates differ from the curve",
            "look for what spoils frames besides hand shake (pressing the shutter, focus, a knock) and shoot again",
        ),
        Flag(
            "constant-blur",
            _D,
            "blur that does not depend on the shutter speed is in all handheld frames",
            "focus by hand once, and keep focus and distance as in the tripod frames",
        ),
        Flag(
            "shutter-shock",
            _D,
            "the shutter or the mirror shook the camera at this speed, on the tripod too",
            "use an electronic shutter or first curtain, or the mirror locked up; or keep away from these speeds",
        ),
        Flag("moved-target", _D, "the target lies elsewhere in the frame than in the tripod frames", ""),
        Flag(
            "no-target",
            _D,
            "no target found: the streak is that of the scene itself against the tripod frames, with a larger error",
            "print the target for exact streaks; else keep scene, light and place as they are",
        ),
        Flag(
            "scene-poor",
            _R,
            "neither a target nor enough detail in the scene to measure blur with",
            "fill the frame with fine, still detail (a bookshelf, brick, a page), or print the target",
        ),
        Flag(
            "framing-differs",
            _R,
            "not the same view as in the tripod frames",
            "frame the same view from the same place, level within 3 degrees",
        ),
        Flag(
            "scene-moved",
            _R,
            "too much of the scene moved against the rest: its blur is not the camera's",
            "choose a scene where nothing moves, all of it at about the same distance",
        ),
        Flag(
            "scene-unclear",
            _R,
            "no movement of the camera explains how this frame differs from the tripod frames",
            "keep focus, light and distance as in the tripod frames; nothing in the scene may move",
        ),
        Flag("scene-clipped", _R, "too much of the scene is clipped, or outside the frame", "expose less"),
        Flag(
            "light-changed",
            _D,
            "the light on the scene changed from place to place since the tripod frames",
            "shoot in light that stays: no moving shadows",
        ),
    )
}


def describe(name: str) -> Flag:
    """Return the flag called `name`; KeyError if the registry has none."""
    return FLAGS[name]


def rejects(names: tuple[str, ...] | list[str] | set[str]) -> bool:
    """Tell whether any of the named flags makes a frame unusable."""
    return any(FLAGS[name].severity is Severity.REJECT for name in names)
