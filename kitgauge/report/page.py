"""The report: one self-contained page that reads like a short letter.

It is built from `run.json`, `curves.json` and `frames.csv` of the run's folder only, so it can be rebuilt at
any time.

What figures draw, beyond the file contract, where the files offer it (each part is optional; without it the
points stand alone and the caption says so):

- `noise.fit.curves.snr_midgrey` and `.read_noise_e` (green, against ISO) and `blur.fit.curves.keep_rate`
  (against exact shutter time [s]): the model sampled, with its 95 % band, as `{x, y, low, high}`
- `blur.fit.curves.streak_px`: in the same form, the streak of the median frame, and of the 10th and 90th in a
  hundred
- `noise.photon_transfer`, `.linearity`, `.snr_against_exposure`, `.spectrum`, `.dark_current`: a figure each;
  `noise.pictures`: thumbnails beside the flags that they explain; `noise.lights`, `.fit.shadow`, `.fit.avoid`,
  `.iso_meaning`, `.developed`: sentences of the letter, and tables
- `sharpness.fit.<region>.curve`: the model sampled, with its 95 % band, as `{f_number, mtf50_cy_per_px,
  mtf50_low_cy_per_px, mtf50_high_cy_per_px}`; `.fit.evidence` with `pitch_um` and `wavelength_um` for the
  ceiling
- `snr_pixel` of an ISO limit: the SNR that one pixel needs for the criterion
- `blur.rule.text`, `blur.scaled`: the 1/focal-length rule beside the limit; limits for other focal lengths by angle
- `blur.frames[].bound_px`: the bound of a censored frame, else its `streak_px` is taken for it
- `sharpness.mtf_curves`, `.crops`, `.halo`, `.colour`, `.edges_refused`: MTF at three f-numbers, small pictures of one
  edge at every f-number, lines that sharpening leaves, shifts of red and blue, edges not measured
- `run.json`: `cautions`, `missing` and `notes`, lists of sentences; `not_frames`, file -> reason
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from kitgauge.atomic import alone_in, write_atomically
from kitgauge.html_page import html_page
from kitgauge.matplotlib_ready import check_matplotlib
from kitgauge.report import (
    blur_findings,
    evidence,
    focus_tables,
    letter,
    method,
    sharpness_tables,
    subject_tables,
    troubles,
)
from kitgauge.report.contact_sheet import contact_sheet
from kitgauge.report.data import RunData, load_run, mapping, texts
from kitgauge.report.fit_table import fit_table
from kitgauge.report.noise_tables import noise_tables
from kitgauge.report.noise_text import noise_letter
from kitgauge.report.practice_page import practice_pages
from kitgauge.report.sharpness_text import sharpness_letter
from kitgauge.report.thumbnails import with_thumbnails
from kitgauge.runs.files import REPORT_FILE

if TYPE_CHECKING:
    from kitgauge.report.style import Picture

_TEMPLATE = "page.html.jinja"
_FIT_NAMES = {"noise": "read noise", "sharpness": "sharpness", "blur": "blur"}


def write_report(run_dir: Path) -> Path:
    """Build `report.html` in the folder of a run and return its path.

    Raises
    ------
    ResultsError : the folder holds no results, a file in it is damaged, or the page cannot be written.
    """
    path = Path(run_dir) / REPORT_FILE
    with alone_in(Path(run_dir)):  # of two runs in one folder, the page is that of the results that stay
        page = render_page(load_run(Path(run_dir)))
        # a lone surrogate (from a file name that is no valid text) cannot be written as UTF-8: shown as "?"
        write_atomically(path, page.encode("utf-8", errors="replace"))
    return path


def render_page(data: RunData) -> str:
    """Return the page as HTML. Everything that comes from the files is escaped."""
    return html_page(_TEMPLATE, "kitgauge.report", **page_content(data))


def page_content(data: RunData) -> dict[str, Any]:
    """Return everything the template shows."""
    parts = method.measured_parts(data)
    noise = data.part("noise")
    of_frames, doubts = with_thumbnails(troubles.frame_troubles(data.frames), troubles.number_doubts(data), noise)
    return {
        "title": method.title(data),
        "kit": method.kit_text(data),
        "protocol": method.protocol_name(data),
        "dates": method.dates_text(data),
        "status": method.status_text(data.run),
        "notes": data.notes,
        "measured": bool(parts),
        "limits": letter.limit_texts(data),
        "noise_letter": noise_letter(noise, data.limits),
        "sharpness_letter": sharpness_letter(data.part("sharpness")),
        "reasons": letter.reasons(data.run),
        "blur_found": blur_findings.finding_sentences(data.part("blur")),
        "run_notes": blur_findings.notes_beside(texts(data.run.get("notes")), data.part("blur")),
        "sets_limits": letter.sets_limits(data),
        "practice": data.run.get("measures") == "practice",
        "not_frames": troubles.files_left_out(data.run),
        "frames_sentence": troubles.frames_sentence(data),
        "any_frames": bool(data.frames),
        "lost": [item for item in of_frames if item.severity in ("rejected", "unmatched")],
        "remarks": [item for item in of_frames if item.severity not in ("rejected", "unmatched")],
        "reshoot": troubles.reshoot_list(data),
        "doubts": doubts,
        "pictures": pictures(data),
        "sheet": contact_sheet(data.part("sharpness")),
        "findings": sharpness_tables.findings_table(data.part("sharpness")),
        "next_shots": letter.next_shots(data.part("blur")),
        "rule": letter.rule_sentence(data.part("blur")),
        "tables": point_tables(data),
        "fit_tables": [
            table
            for part in parts
            if (table := fit_table(mapping(data.part(part).get("fit")), f"Fitted parameters, {part}", _FIT_NAMES[part]))
        ],
        "practice_pages": practice_pages(data),
        "practice_table": evidence.practice_table(data.part("practice"), folded=bool(practice_pages(data))),
        "steps": evidence.steps_table(data),
        "frames": evidence.frames_table(data.frames) if data.frames else None,
        "formulas": method.formulas(data),
        "criteria": method.criteria_facts(data),
        "facts": method.run_facts(data),
        "not_covered": method.not_covered(data),
        "cautions": method.cautions(data),
    }


def pictures(data: RunData) -> list[Picture]:
    """Return the figures of everything the run measured; what draws is loaded only where there is something to draw."""
    check_matplotlib()
    found: list[Picture] = []
    if noise := data.part("noise"):
        from kitgauge.report.plots_noise import noise_pictures

        found += noise_pictures(noise, data.limits)
    if sharpness := data.part("sharpness"):
        from kitgauge.report.plots_sharpness import sharpness_pictures

        found += sharpness_pictures(sharpness, data.limits, mapping(data.curves.get("kit")))
    if blur := data.part("blur"):
        from kitgauge.report.plots_blur import blur_pictures

        found += blur_pictures(blur, data.limits)
    return found


def point_tables(data: RunData) -> list[evidence.Table]:
    """Return the tables of measured points."""
    tables = (
        *noise_tables(data.part("noise")),
        sharpness_tables.apertures_table(data.part("sharpness")),
        sharpness_tables.sharpness_table(data.part("sharpness")),
        focus_tables.focusing_table(data.part("sharpness")),
        focus_tables.bracket_table(data.part("sharpness")),
        sharpness_tables.halo_table(data.part("sharpness")),
        sharpness_tables.refused_edges_table(data.part("sharpness")),
        evidence.blur_limits_table(data.part("blur")),
        blur_findings.findings_table(data.part("blur")),
        evidence.scaled_limits_table(data.part("blur")),
        subject_tables.subjects_table(data.part("blur"), data.limits),
        subject_tables.speeds_table(data.part("blur")),
        subject_tables.turns_table(data.part("blur")),
        evidence.blur_table(data.part("blur")),
    )
    return [table for table in tables if table is not None]
