"""The card in a real browser, as wide as a phone: touch and keys, no network. Skipped where there is no Chromium."""

from __future__ import annotations

import itertools
import re

import pytest
from card_kits import expected_plan, write_many
from chromium_pipe import CHROMIUM, ChromiumPage
from test_card_page import LEAST_CONTRAST, contrast

from kitgauge.card.chooser import chooser_table
from kitgauge.card.content import card_of
from kitgauge.card.kit import read_card_kit
from kitgauge.card.page import card_page
from kitgauge.exposure import format_f_number, format_shutter, nominal_iso, percent

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")
PICKERS = ("hold", "lens", "subject", "light", "distance")
_COLOURS = """(() => {
  const seen = new Map();
  const hex = (text) => {
    const parts = text.match(/[\\d.]+/g).map(Number);
    return parts.length > 3 && parts[3] === 0 ? null
      : "#" + parts.slice(0, 3).map((part) => part.toString(16).padStart(2, "0")).join("");
  };
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const own = walker.currentNode.parentElement;
    if (!walker.currentNode.data.trim() || !own.getClientRects().length) { continue; }
    let ground = null;
    for (let at = own; at && !ground; at = at.parentElement) { ground = hex(getComputedStyle(at).backgroundColor); }
    seen.set(hex(getComputedStyle(own).color) + " " + (ground || "#ffffff"), own.tagName + ": " + own.textContent);
  }
  return [...seen];
})()"""


@pytest.fixture(scope="module")
def page(page_text, tmp_path_factory):
    folder = tmp_path_factory.mktemp("browser")
    (folder / "card.html").write_text(page_text, encoding="utf-8")
    with ChromiumPage(folder, folder / "card.html", 400) as opened:
        yield opened


def chosen(page):
    return [page.evaluate(f"document.getElementById('{name}').selectedIndex") for name in PICKERS]


def shown(page, name):
    return page.evaluate(f"document.getElementById('{name}').textContent")


def check_against_the_planner(page, card_kit, chooser):
    plan = expected_plan(card_kit, chooser, *chosen(page))
    setting = plan.setting
    assert shown(page, "settings") == (
        f"{format_shutter(setting.shutter_s)}, {format_f_number(setting.f_number)}, ISO {nominal_iso(setting.iso):.0f}"
    )
    rate = plan.predicted.keep_rate
    assert shown(page, "keep").startswith("not measured" if rate is None else percent(rate))
    if plan.shortfall_stops > 0:
        assert shown(page, "short").startswith(f"{plan.shortfall_stops:.1f} stops of light")
        assert shown(page, "way")
    cautions = page.evaluate("[...document.querySelectorAll('#mind li')].map((item) => item.textContent)")
    assert cautions == list(plan.cautions)
    return shown(page, "settings")


def test_the_first_answer_is_there_at_once(page, card_kit, chooser):
    assert page.evaluate("getComputedStyle(document.querySelector('.pickers')).display") != "none"
    check_against_the_planner(page, card_kit, chooser)


def test_touching_every_picker_changes_the_answer_to_the_planners(page, card_kit, chooser):
    answers = set()
    for name, by in (
        ("light", 1),
        ("light", 1),
        ("hold", 1),
        ("subject", 1),
        ("lens", 1),
        ("distance", -1),
        ("light", 1),
    ):
        before = chosen(page)
        page.touch(f"button[data-for='{name}'][data-by='{by}']")
        after = chosen(page)
        moved = [new - old for old, new in zip(before, after, strict=True)]
        if by == 1 or before[PICKERS.index(name)] > 0:
            assert sorted(map(abs, moved)) == [0, 0, 0, 0, 1] or name == "lens"
        answers.add(check_against_the_planner(page, card_kit, chooser))
    assert len(answers) >= 4


def test_it_ends_at_the_last_choice(page, card_kit, chooser):
    for _ in range(25):
        page.touch("button[data-for='light'][data-by='1']")
    assert chosen(page)[3] == len(chooser.lights) - 1
    button = "document.querySelector(\"button[data-for='light'][data-by='1']\")"
    assert page.evaluate(f"{button}.getAttribute('aria-disabled')") == "true"
    check_against_the_planner(page, card_kit, chooser)


def test_keys_alone_reach_and_change_everything(page, card_kit, chooser):
    page.evaluate("document.activeElement.blur(); window.getSelection().removeAllRanges(); scrollTo(0, 0)")
    page.evaluate("document.querySelector('h1').tabIndex = -1; document.querySelector('h1').focus()")
    reached = []
    for _ in range(15):
        page.press("Tab")
        reached.append(page.evaluate("document.activeElement.id || document.activeElement.dataset.for"))
    assert set(PICKERS) <= set(reached)
    for name, key in (
        ("light", "Home"),
        ("subject", "End"),
        ("distance", "ArrowDown"),
        ("hold", "End"),
        ("light", "ArrowDown"),
    ):
        page.evaluate(f"document.getElementById('{name}').focus()")
        before = chosen(page)
        page.press(key)
        if page.evaluate("document.querySelector('select:open') !== null"):
            page.press("Enter")
        assert chosen(page) != before or key == "End"
        check_against_the_planner(page, card_kit, chooser)
    page.evaluate("document.querySelector(\"button[data-for='light'][data-by='1']\").focus()")
    for key in ("Enter", " "):
        before = chosen(page)
        page.press(key)
        assert chosen(page)[3] == before[3] + 1
        check_against_the_planner(page, card_kit, chooser)


def test_many_cells_set_by_script_are_the_planners(page, card_kit, chooser):
    sizes = chooser.as_dict()["sizes"]
    picked = itertools.islice(itertools.product(*(range(0, size, max(size // 3, 1)) for size in sizes)), 0, None, 9)
    answers = set()
    for choice in picked:
        for name, index in zip(PICKERS, choice, strict=True):
            page.evaluate(f"document.getElementById('{name}').selectedIndex = {index}")
        page.evaluate("document.getElementById('light').dispatchEvent(new Event('change'))")
        assert chosen(page) == list(choice)
        answers.add(check_against_the_planner(page, card_kit, chooser))
    assert len(answers) > 12


def test_readable_in_the_sun(page):
    pairs = page.evaluate(_COLOURS)
    assert len(pairs) >= 4
    for colours, where in pairs:
        assert contrast(*colours.split()) >= LEAST_CONTRAST, where


def test_large_enough_for_a_finger(page):
    sizes = page.evaluate(
        "[...document.querySelectorAll('button, select, summary')].map((e) => e.getBoundingClientRect())"
        ".map((r) => [r.width, r.height])"
    )
    assert len(sizes) >= 16
    # 44 px: WCAG 2.2, success criterion 2.5.5
    assert min(height for _, height in sizes) >= 44 and min(width for width, _ in sizes) >= 44


def test_nothing_was_asked_of_a_network_and_nothing_went_wrong(page):
    urls = [event["request"]["url"] for event in page.events("Network.requestWillBeSent")]
    assert urls and all(url.startswith("file:") and url.endswith("card.html") for url in urls)
    assert page.events("Runtime.exceptionThrown") == []
    assert page.events("Log.entryAdded") == []


@pytest.mark.parametrize("width", [320, 400, 760, 1280])
def test_long_names_never_make_it_scroll_sideways(width, tmp_path, monkeypatch):
    monkeypatch.setattr("kitgauge.card.chooser.LIGHTS_EV", (8,))
    kit = read_card_kit(write_many(tmp_path / "results"))
    path = tmp_path / "card.html"
    path.write_text(card_page(card_of(kit), chooser_table(kit)), encoding="utf-8")
    with ChromiumPage(tmp_path, path, width) as opened:
        opened.evaluate("document.querySelectorAll('details').forEach((part) => { part.open = true; })")
        inner, scroll = opened.evaluate("[innerWidth, document.documentElement.scrollWidth]")
        assert inner == width and scroll <= width
        assert re.match(r"\S+ s, f/", opened.evaluate("document.getElementById('settings').textContent"))
