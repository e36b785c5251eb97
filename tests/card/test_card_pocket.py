"""The printed card: everything inside its panels, readable, folded the right way round."""

from __future__ import annotations

import re
import shutil
import subprocess

import pytest
from card_kits import LENS, write_many

from kitgauge.card.content import CAUTIONS, SUN, card_of
from kitgauge.card.kit import read_card_kit
from kitgauge.card.pocket import pocket_card, printable, text_width_mm
from kitgauge.card.pocket_layout import MARGIN_MM, PANEL_MM, Rule, Text, column_widths, pocket_panels, wrapped


@pytest.fixture(scope="module")
def card(card_kit):
    return card_of(card_kit)


def joined(panels):
    return " ".join(item.text for panel in panels for item in panel.items if isinstance(item, Text))


@pytest.mark.parametrize("which", ["some", "many", "none"])
def test_nothing_leaves_its_panel_and_nothing_is_too_small(which, card, tmp_path):
    if which != "some":
        card = card_of(read_card_kit(write_many(tmp_path) if which == "many" else tmp_path))
    panels = pocket_panels(card, text_width_mm)
    for panel in panels:
        assert panel.items
        for item in panel.items:
            width = item.length_mm if isinstance(item, Rule) else text_width_mm(item.text, item.size_pt, item.bold)
            assert item.x_mm >= MARGIN_MM - 1e-6 and item.x_mm + width <= PANEL_MM[0] - MARGIN_MM + 0.01
            assert MARGIN_MM <= item.y_mm <= PANEL_MM[1] - MARGIN_MM + 0.01
            assert isinstance(item, Rule) or item.size_pt >= 6
    assert len(panels) <= 4 or which == "many"


def test_nothing_is_lost_and_no_line_stands_on_another(card):
    panels = pocket_panels(card, text_width_mm)
    said = re.sub(r"\s", "", joined(panels))
    for table in (card.shutter, card.sharp, card.iso, card.light, *card.depth):
        assert re.sub(r"\s", "", table.title) in said
        for row in table.rows:
            for cell in row:
                # a cell's lines follow each other; what stands beside it comes between the rows' cells only
                assert re.sub(r"\s", "", cell.marked) in said
    for line in (SUN, *CAUTIONS):
        assert re.sub(r"\s", "", line) in said
    for panel in panels:
        texts = [item for item in panel.items if isinstance(item, Text)]
        for k, one in enumerate(texts):
            for other in texts[k + 1 :]:
                beside = (
                    one.x_mm + text_width_mm(one.text, one.size_pt, one.bold) <= other.x_mm + 0.01
                    or other.x_mm + text_width_mm(other.text, other.size_pt, other.bold) <= one.x_mm + 0.01
                )
                # height of a line: at least nine tenths of the size, 0.353 mm per point
                assert beside or abs(one.y_mm - other.y_mm) >= 0.9 * 0.353 * min(one.size_pt, other.size_pt)


def test_wrapping_by_a_ruler_of_one_millimetre_per_sign():
    def ruler(text, *_):
        return float(len(text))

    assert wrapped("one two three", 7, 8.0, False, ruler) == ["one two", "three"]
    assert wrapped("abcdefghij", 4, 8.0, False, ruler) == ["abcd", "efgh", "ij"]
    assert wrapped("90\N{NO-BREAK SPACE}% of it", 6, 8.0, False, ruler) == ["90\N{NO-BREAK SPACE}%", "of it"]


def test_columns_share_what_there_is():
    assert sum(column_widths([10.0, 200.0, 300.0], 90.0)) == pytest.approx(90.0 - 2 * 2.0)
    assert column_widths([10.0, 200.0, 300.0], 90.0)[0] == pytest.approx(10.0)


def test_the_same_card_gives_the_same_bytes_with_fonts_in_them(card):
    content = pocket_card(card)
    assert content == pocket_card(card)
    assert content.startswith(b"%PDF-") and content.rstrip().endswith(b"%%EOF")
    assert b"/FontFile2" in content
    # A4 in points of 1/72 inch
    box = re.search(rb"/MediaBox \[ ?0 0 ([\d.]+) ([\d.]+) ?\]", content)
    assert box and [float(side) for side in box.groups()] == pytest.approx([595.28, 841.89], abs=0.02)
    assert len(content) < 300_000


def test_signs_that_the_face_lacks_become_boxes():
    assert printable("Söhne ● 鏡") == "Söhne ● □"


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="no pdftoppm on this machine")
def test_four_panels_with_the_upper_ones_upside_down(card, tmp_path):
    numpy = pytest.importorskip("numpy")
    image = pytest.importorskip("PIL.Image")
    (tmp_path / "card.pdf").write_bytes(pocket_card(card))
    command = ["pdftoppm", "-r", "100", "-gray", "-png", str(tmp_path / "card.pdf"), str(tmp_path / "sheet")]
    subprocess.run(command, check=True, timeout=60)
    (sheet,) = sorted(tmp_path.glob("sheet*.png"))
    ink = 255.0 - numpy.asarray(image.open(sheet).convert("L"), dtype=float)
    high, wide = ink.shape
    assert high in (1169, 1170) and wide == 827  # 297 mm are 1169.3 dots of 1/100 inch
    edge = round(5 / 25.4 * 100)  # what common printers leave white
    inner = ink[edge : high - edge, edge : wide - edge]
    middle = abs(numpy.arange(high - 2 * edge) - inner.shape[0] / 2) > 6
    assert inner[middle].max() == 255
    for strip in (ink[:edge, : wide // 2 - 5], ink[high - edge :, : wide // 2 - 5], ink[: high // 2 - 5, :edge]):
        assert strip.max() == 0
    front, inside_left = ink[high // 2 :, wide // 2 :], ink[: high // 2, wide // 2 :]
    # text starts at the left margin: columns fill from the left where it stands upright, from the right where turned
    for panel, turned in ((front, False), (inside_left, True)):
        panel = panel[::-1, ::-1] if turned else panel
        columns = (panel[20:-20, 12:-12] > 60).mean(axis=0)
        left, right = columns[: len(columns) // 4].mean(), columns[-len(columns) // 8 :].mean()
        assert left > 2 * right


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="no pdftotext on this machine")
def test_the_text_can_be_searched(card, tmp_path):
    (tmp_path / "card.pdf").write_bytes(pocket_card(card))
    command = ["pdftotext", "-raw", str(tmp_path / "card.pdf"), "-"]
    text = subprocess.run(command, check=True, timeout=60, capture_output=True, text=True).stdout
    for words in ("1/50 s ●", "Slowest shutter", "Never look or aim at the sun", "ISO 4000"):
        assert words in text.replace("\N{NO-BREAK SPACE}", " ")
    assert LENS.split()[0] in text
