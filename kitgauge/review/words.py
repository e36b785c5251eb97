"""A review in words: one short letter per frame, and a line per frame for a folder."""

from __future__ import annotations

import math

from kitgauge.exposure import format_f_number, format_shutter, nominal_iso, percent
from kitgauge.planner.basis import MEASURED, PRACTICE
from kitgauge.review.exposure_seen import ExposureSeen
from kitgauge.review.folder import Reviewed
from kitgauge.review.next_settings import NextSettings
from kitgauge.review.one_frame import CLIPPED_WORTH_TELLING, NoiseSeen, Review
from kitgauge.review.softness import Softness

HEADINGS = {
    "sharp": "sharp",
    "motion": "blurred by motion",
    "defocus": "out of focus",
    "motion-and-defocus": "blurred by motion, and out of focus",
    "sharp-in-part": "sharp in part",
    "noise": "too noisy to judge sharpness",
    "cannot-tell": "sharpness: cannot tell",
}
_COLOURS = {"R": "red", "G": "green", "B": "blue"}
_QUIET_SHARE = 0.0005
_SWAPPED = (5, 6, 7, 8)  # Exif orientations that show the frame's columns as rows


def letter(review: Review) -> list[tuple[str, list[str]]]:
    """Return the review of one frame as (what it is about, sentences)."""
    parts = [
        ("Settings", [settings_line(review)]),
        ("Sharpness", sharpness_sentences(review)),
        ("Exposure", exposure_sentences(review.exposure, rendered=review.rendered)),
        ("Noise", noise_sentences(review.noise)),
        ("Next", next_sentences(review)),
    ]
    if review.notes or review.kit_note:
        parts.append(("Mind", [_sentence(note) for note in (*review.notes, review.kit_note) if note]))
    return parts


def settings_line(review: Review) -> str:
    """Return settings as read, with what is not known said."""
    settings = review.settings
    words = [
        "shutter time unknown" if settings.shutter_s is None else format_shutter(settings.shutter_s),
        "f-number unknown" if settings.f_number is None else format_f_number(settings.f_number),
        "ISO unknown" if settings.iso is None else f"ISO {nominal_iso(settings.iso):.0f}",
    ]
    if settings.focal_mm is not None:
        words.append(f"{settings.focal_mm:g} mm")
    kit = ", ".join(name for name in (settings.body, settings.lens) if name)
    return ", ".join(words) + (f"; {kit}" if kit else "") + "."


def heading(review: Review) -> str:
    """Return the verdict in a few words."""
    words = [HEADINGS[review.soft.cause]]
    soft = review.soft
    if soft.cause == "sharp-in-part" and soft.part_cause in ("motion", "defocus", "motion-and-defocus"):
        words = [f"sharp in part, the rest {HEADINGS[soft.part_cause]}"]
    clipped = [colour for colour in review.exposure.colours if colour.clipped_share > CLIPPED_WORTH_TELLING]
    if clipped:
        words.append("highlights clipped")
    if (review.noise.over_limit_stops or 0.0) > 1 / 6:
        words.append("noise above the limit")
    return ", ".join(words)


def sharpness_sentences(review: Review) -> list[str]:
    """Return what the edges tell, in sentences."""
    soft = review.soft
    limit = f"up to {review.demands.streak_px:.2g} px count as sharp; {review.demands_basis}"
    sentences = []
    if soft.cause in ("motion", "motion-and-defocus"):
        sentences.append(f"Motion of {_length(soft)}, {_direction(soft, review)}, over the whole frame ({limit}).")
        sentences.append("Edges along it are sharp, so it is not focus." if soft.cause == "motion" else "")
    if soft.cause in ("defocus", "motion-and-defocus"):
        disc = "out of focus" if soft.disc_px is None else f"out of focus by a blur disc of {_disc(soft)}"
        also = "also " if soft.cause != "defocus" else ""
        sentences.append(
            f"Everything is {also}{disc} ({review.demands.circle_px:.2g} px pass for a point): nothing in the frame is "
            "sharp, so focus was missed or lies outside of it."
        )
    if soft.cause == "sharp-in-part":
        sentences += _in_part(soft, review)
    if soft.cause == "sharp":
        sentences.append(
            f"No blur beyond {soft.reference.sharp_px:.2g} px spread of an edge, which counts as sharp "
            f"({soft.reference.text})."
        )
    if soft.cause == "noise":
        sentences.append(f"{_sentence(soft.why)} More light, or a lower ISO with a longer time, would show more.")
    if soft.cause == "cannot-tell":
        sentences.append(f"Cannot tell: {soft.why}.")
    if soft.cause in ("motion", "defocus", "motion-and-defocus"):
        sentences.append(_against_lens(soft))
    if soft.cause not in ("noise", "cannot-tell"):
        sentences.append(f"Certainty: {certainty(soft)} ({soft.edges} edges).")
    return [sentence for sentence in sentences if sentence]


def certainty(soft: Softness) -> str:
    """Return the certainty in a word."""
    return "high" if soft.certainty >= 0.99 else "good" if soft.certainty >= 0.9 else "fair"


def _in_part(soft: Softness, review: Review) -> list[str]:
    where = places(soft.sharp_places, review)
    sentences = [f"Sharp {where}, so the camera did not shake; soft {places(soft.soft_places, review)}."]
    if soft.part_cause == "motion":
        sentences.append(f"What is soft moved by itself, by {_length(soft)}, {_direction(soft, review)}.")
    elif soft.part_cause == "motion-and-defocus":
        sentences.append(
            f"What is soft moved by itself, by {_length(soft)}, {_direction(soft, review)}, and is out of focus."
        )
    elif soft.part_cause == "defocus":
        sentences.append(f"What is soft lies out of the depth of field: a blur disc of {_disc(soft)}.")
    else:
        sentences.append("Whether the rest moved or lies out of the depth of field cannot be told.")
    sentences.append("If what is sharp was meant to be, nothing is wrong.")
    return sentences


def _length(soft: Softness) -> str:
    error = "" if soft.streak_stderr_px is None else f" ± {max(soft.streak_stderr_px, 0.1):.1f}"
    return "unknown length" if soft.streak_px is None else f"{soft.streak_px:.1f}{error} px"


def _disc(soft: Softness) -> str:
    error = "" if soft.disc_stderr_px is None else f" ± {max(soft.disc_stderr_px, 0.1):.1f}"
    return "unknown size" if soft.disc_px is None else f"{soft.disc_px:.1f}{error} px"


def _against_lens(soft: Softness) -> str:
    usual = f"{soft.reference.usual_px:.2g} px"
    if soft.reference.basis == MEASURED:
        return f"A sharp edge of this lens is {usual} wide in spread ({soft.reference.text})."
    return f"A sharp edge is usually {usual} wide in spread ({soft.reference.text})."


def shown_direction(direction_deg: float, orientation: int | None) -> float:
    """Return a direction as the picture is shown: 0 level, 90 upright, between them rising to the right, 0 to 180."""
    angle = -direction_deg
    if orientation in (2, 4, 5, 7):  # mirrored
        angle = -angle
    if orientation in _SWAPPED:
        angle += 90.0
    return angle % 180.0


def _direction(soft: Softness, review: Review) -> str:
    if soft.direction_deg is None:
        return "direction unknown"
    angle = shown_direction(soft.direction_deg, review.settings.orientation)
    for axis, word in ((0.0, "level"), (90.0, "up and down"), (180.0, "level")):
        if abs(angle - axis) <= 15.0:
            return word
    return f"rising to the {'right' if angle < 90 else 'left'} at {angle if angle < 90 else 180 - angle:.0f} degrees"


def shown_place(x: float, y: float, orientation: int | None) -> tuple[float, float]:
    """Return a place (shares of the frame's sides) as the picture is shown (Exif orientation)."""
    return {
        2: (1 - x, y), 3: (1 - x, 1 - y), 4: (x, 1 - y), 5: (y, x), 6: (1 - y, x), 7: (1 - y, 1 - x), 8: (y, 1 - x),
    }.get(orientation or 1, (x, y))  # fmt: skip


def places(found: tuple[tuple[float, float], ...], review: Review) -> str:
    """Return places in words: 'at the left, in the middle'."""
    if not found:
        return "nowhere"
    names: dict[str, int] = {}
    for x, y in found:
        x, y = shown_place(x, y, review.settings.orientation)
        across = "left" if x < 1 / 3 else "right" if x > 2 / 3 else ""
        down = "top" if y < 1 / 3 else "bottom" if y > 2 / 3 else ""
        name = " ".join(part for part in (down, across) if part) or "middle"
        names[name] = names.get(name, 0) + 1
    if len(names) >= 7:
        return "over most of the frame"
    ordered = sorted(names, key=lambda name: -names[name])
    words = [f"in the {name}" if name == "middle" else f"at the {name}" for name in ordered]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def exposure_sentences(seen: ExposureSeen, *, rendered: bool) -> list[str]:
    """Return what raw and histogram say, in sentences."""
    sentences = []
    if seen.level_stops is not None:
        where = "at" if abs(seen.level_stops) < 0.05 else f"{abs(seen.level_stops):.1f} stops "
        where += "" if abs(seen.level_stops) < 0.05 else "above" if seen.level_stops > 0 else "below"
        sentences.append(f"The middle of the tones lies {where} mid-grey.")
    clipped = [colour for colour in seen.colours if colour.clipped_share > _QUIET_SHARE]
    if clipped:
        listing = ", ".join(f"{_COLOURS[c.colour]} {_share(c.clipped_share)}" for c in clipped)
        sentences.append(f"Clipped in the raw file: {listing}.")
    spare = [colour for colour in seen.colours if colour.headroom_stops > 0.05]
    if spare and not clipped:
        listing = ", ".join(f"{_COLOURS[c.colour]} {_stops(c.headroom_stops)}" for c in spare)
        sentences.append(f"Nothing is clipped in the raw file. Headroom left in stops: {listing}.")
    elif spare:
        listing = ", ".join(f"{_COLOURS[c.colour]} {_stops(c.headroom_stops)}" for c in spare)
        sentences.append(f"Headroom left in stops: {listing}.")
    sentences += _histogram_sentences(seen, rendered=rendered)
    if seen.shadow_share is not None:
        how = "" if seen.shadow_basis == MEASURED else ", roughly: by the noise of this frame itself"
        where = "Nowhere" if seen.shadow_share == 0 else f"In {_share(seen.shadow_share)} of the frame"
        verb = "does noise exceed" if seen.shadow_share == 0 else "noise exceeds"
        sentences.append(f"{where} {verb} the signal (SNR under 1{how}).")
    elif not rendered:
        sentences.append("How much of the shadows drowns in noise is unknown.")
    return sentences


def _histogram_sentences(seen: ExposureSeen, *, rendered: bool) -> list[str]:
    histogram = seen.histogram
    if histogram is None:
        return [f"What the camera's histogram showed is unknown: {seen.histogram_missing}."]
    if rendered:
        return [
            f"At the highest code in one colour or more: {_share(histogram.white_share)} of the picture; at 0 in all: "
            f"{_share(histogram.black_share)}. What the raw file would hold beyond that cannot be told."
        ]
    sentence = f"The camera's histogram ({histogram.source}) shows {_share(histogram.white_share)} at its right end"
    if histogram.white_only_there_share is not None and histogram.white_share > _QUIET_SHARE:
        sentence += f"; {_share(histogram.white_only_there_share)} of the frame is white there and not in the raw file"
    return [f"{sentence}."]


def noise_sentences(noise: NoiseSeen) -> list[str]:
    """Return noise against the limit, in sentences."""
    whose = "your limit" if noise.basis != PRACTICE else "what is usually taken as the highest (common practice)"
    limit = f"ISO {nominal_iso(noise.iso_limit):.0f}"
    if noise.over_limit_stops is None:
        return ["The ISO is unknown, so noise is not compared with the limit."]
    over = noise.over_limit_stops
    where = f"{abs(over):.1f} stops {'above' if over > 0 else 'below'}" if abs(over) > 0.05 else "at"
    sentences = [f"The ISO is {where} {whose}, {limit}."]
    if noise.snr_midgrey is not None:
        sentences.append(f"SNR at mid-grey is {noise.snr_midgrey:.3g} in a picture of {noise.output_mp:.3g} MP.")
    return sentences


def next_sentences(review: Review) -> list[str]:
    """Return what to set next, in sentences."""
    if review.taken is None:
        return ["Not all settings are known, so none can be proposed."]
    if not review.next:
        if review.soft.cause == "noise" or (review.noise.over_limit_stops or 0.0) > 1 / 6:
            return ["More light, a wider aperture or firm support: nothing that is known allows a longer time."]
        if review.soft.cause == "cannot-tell":
            return ["If it moved, one stop faster; if a part is out of focus, two stops of f-number (common practice)."]
        return ["Nothing to change for sharpness."]
    sentences = []
    for number, way in enumerate(review.next):
        lead = "" if number == 0 else "Or: "
        sentences.append(_way(way, lead))
    kinds = {way.kind for way in review.next}
    if review.soft.disc_px is not None and "higher-f-number" not in kinds:
        sentences.append("Closing the aperture cannot mend it: no lens closes so far.")
    elif "focus" in kinds and "higher-f-number" in kinds:
        sentences.append("The higher f-number only helps what lies just before or behind where you focus.")
    return sentences


def _way(way: NextSettings, lead: str) -> str:
    costs = f" Cost: {'; '.join(way.costs)}." if way.costs else ""
    return f"{lead}{way.setting.words()}: {way.reason}.{costs}"


def _share(share: float) -> str:
    return "nothing" if share == 0 else percent(share) if share >= 0.0995 else f"{100 * share:.2g} %"


def _stops(stops: float) -> str:
    return f"{stops:.1f}" if math.isfinite(stops) else "unknown"


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}." if text else ""


def table_rows(reviewed: Reviewed) -> list[tuple[str, ...]]:
    """Return a row per frame: file, settings, verdict, by how much, what to do."""
    return [
        (
            frame.file,
            settings_line(frame).split(";")[0].rstrip("."),
            heading(frame),
            size_of_blur(frame),
            remedy(frame),
        )
        for frame in reviewed.frames
    ]


def size_of_blur(review: Review) -> str:
    """Return streak and disc in a few words, '–' where there is none."""
    soft = review.soft
    words = []
    if soft.streak_px is not None:
        words.append(f"streak {soft.streak_px:.1f} px")
    if soft.disc_px is not None:
        words.append(f"disc {soft.disc_px:.1f} px")
    return ", ".join(words) or "–"


def remedy(review: Review) -> str:
    """Return the first remedy in a few words, '–' where there is none."""
    if not review.next:
        return "–"
    return "focus anew" if review.next[0].kind == "focus" else review.next[0].setting.words()
