"""The page stands alone, is safe with any names, small, and readable in the sun."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from card_kits import BODY, LENS, write_many

from kitgauge.card import chooser as chooser_module
from kitgauge.card.chooser import chooser_table
from kitgauge.card.content import SUN, card_of
from kitgauge.card.kit import read_card_kit
from kitgauge.card.page import card_page

CSS = (Path(chooser_module.__file__).parent / "card.css").read_text(encoding="utf-8")
LEAST_CONTRAST = 7.0  # WCAG 2.2, success criterion 1.4.6 (AAA)


def relative_luminance(colour: str) -> float:
    """WCAG 2.2, definition of relative luminance, of #rrggbb."""
    channels = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, definition of contrast ratio."""
    low, high = sorted((relative_luminance(one), relative_luminance(other)))
    return (high + 0.05) / (low + 0.05)


class Elements(HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))


def test_contrast_formula_on_published_values():
    # WCAG 2.2: black on white is 21:1; #767676 on white is the well-known lightest grey above 4.5:1 (4.54)
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


def test_every_colour_of_text_stands_out():
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6});", CSS))
    assert {"ink", "paper", "soft", "warn", "tint"} <= set(colours)
    for ink in ("ink", "soft", "warn"):
        for ground in ("paper", "tint"):
            assert contrast(colours[ink], colours[ground]) >= LEAST_CONTRAST, (ink, ground)
    # no colour but by these names, so that the browser's own test sees all of them
    assert not re.findall(r"#[0-9a-fA-F]{3,8}\b|rgb|hsl", re.sub(r":root \{.*\}|#mind", "", CSS))


def test_nothing_is_fetched_from_anywhere(page_text):
    assert not re.search(r"https?:|url\(|@import|srcset|fetch\(|XMLHttpRequest|WebSocket", page_text)
    for _, attributes in Elements(page_text).tags:
        assert not {"src", "href"} & set(attributes)


def test_names_are_text_never_markup(page_text):
    tags = Elements(page_text).tags
    assert BODY not in page_text and "&lt;script&gt;alert(1)&lt;/script&gt;" in page_text
    assert [attributes.get("id") for tag, attributes in tags if tag == "script"] == ["cells", None]
    assert "i" not in {tag for tag, _ in tags}  # of a technique's name
    assert LENS not in page_text and "Extra &lt;b&gt;Long&lt;/b&gt;" in page_text


def test_names_in_the_table_cannot_end_its_element(tmp_path, monkeypatch):
    monkeypatch.setattr(chooser_module, "LIGHTS_EV", (8,))
    monkeypatch.setattr(chooser_module, "DISTANCES_M", (2.0,))
    kit = read_card_kit(tmp_path, focals_mm=(50.0,))
    monkeypatch.setattr(chooser_module, "answer_texts", lambda _: ("</script><script>alert(2)</script>",) * 7)
    text = card_page(card_of(kit), chooser_table(kit))
    assert text.count("<script") == 2
    data = re.search(r'id="cells">(.*?)</script>', text, flags=re.DOTALL)
    assert data and "</script><script>alert(2)</script>" in json.loads(data[1])["texts"]


def test_it_says_what_matters_without_scripts(page_text):
    assert "<noscript>" in page_text
    assert SUN in page_text
    for words in ("Slowest shutter", "Sharp f-numbers", "Highest ISO", "Depth of field", "1/50 s"):
        assert words in page_text


def test_it_is_small(page_text):
    assert len(page_text.encode()) < 300_000


def test_large_kits_stay_small(tmp_path, monkeypatch):
    """With half the light and half the distances the chooser takes more lenses: about as many lines as it ever has."""
    monkeypatch.setattr(chooser_module, "LIGHTS_EV", chooser_module.LIGHTS_EV[::2])
    monkeypatch.setattr(chooser_module, "DISTANCES_M", chooser_module.DISTANCES_M[::2])
    kit = read_card_kit(write_many(tmp_path))
    table = chooser_table(kit)
    assert 1000 <= len(table.lines) / 2 <= 1230
    assert len(card_page(card_of(kit), table).encode()) < 250_000


def test_common_practice_is_said_at_the_top(tmp_path, monkeypatch):
    monkeypatch.setattr("kitgauge.card.chooser.LIGHTS_EV", (8,))
    kit = read_card_kit(tmp_path, focals_mm=(50.0,))
    text = card_page(card_of(kit), chooser_table(kit))
    head = text[text.index("<header>") : text.index("</header>")]
    assert "Nothing of this kit was measured: every number here is common practice." in head
    assert "●" not in text[text.index('class="tables"') : text.index('id="cells"')]
