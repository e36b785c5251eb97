"""The contact sheet with texts that try to be markup: names of files and kit, what the frame records, notes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from everyday_frames import Blur, scene, write_frame
from page_markup import MARKUP, PLAIN, assert_only_text

from kitgauge.review.folder import Reviewed, review
from kitgauge.review.page import review_page


def test_a_contact_sheet_shows_texts_as_texts(tmp_path: Path) -> None:
    write_frame(tmp_path / "a.DNG", scene("leaves", Blur()))
    (found,) = review(tmp_path / "a.DNG", tmp_path).frames
    pages = []
    for text in (MARKUP, PLAIN):
        settings = replace(
            found.settings, body=f"Box{text}", lens=f"Lens{text}", missing={"iso": text}, notes={"iso": text}
        )
        frame = replace(
            found,
            file=f"a{text}.DNG",
            companion=f"b{text}.JPG",
            settings=settings,
            demands_basis=text,
            kit_note=text,
            notes=(text, *found.notes),
            noise=replace(found.noise, basis=text, text=text),
        )
        sheet = Reviewed(Path(f"of{text.replace('/', '')}"), (frame, found), {f"c{text}": text}, {f"d{text}": text})
        pages.append(review_page(sheet))
    assert_only_text(*pages)
