"""The shot list for people: terminal, pipe and page."""

import io
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from rich.console import Console

from kitgauge.protocol.brief import (
    brief_html,
    brief_text,
    minutes_text,
    protocol_rows,
    protocol_summary,
    protocols_table,
)
from kitgauge.protocol.loading import LoadedProtocol, load_protocol, parse_protocol, shipped_protocols
from kitgauge.protocol.shot_list import CameraRange, shot_list

CAMERA = CameraRange(f_min=1.8, focal_mm=50, pitch_um=4.0, frame_width_px=9000, frame_height_px=6000)
VOID = {"meta", "input", "br"}


class Page(HTMLParser):
    """Checks nesting and collects the text, the attributes and the number of tick boxes."""

    def __init__(self, text):
        super().__init__()
        self.open, self.words, self.boxes, self.links = [], [], 0, []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.links += [value for name, value in attrs if name in ("src", "href")]
        self.boxes += tag == "input" and ("type", "checkbox") in attrs
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "title"):
            self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


def in_a_pipe(renderable, width=80):
    stream = io.StringIO()
    Console(file=stream, width=width).print(renderable)
    return stream.getvalue()


@pytest.mark.parametrize("identifier", [item.protocol.id for item in shipped_protocols()])
def test_terminal_and_page_tell_everything(identifier):
    loaded = load_protocol(identifier)
    shots = shot_list(loaded.protocol, CAMERA)
    plain = in_a_pipe(brief_text(shots))
    assert "\x1b" not in plain and max(map(len, plain.splitlines())) <= 80
    page = Page(brief_html(shots, loaded))
    flat = " ".join(plain.split())
    protocol = loaded.protocol
    told = [protocol.title, protocol.purpose, *protocol.cautions, *protocol.setup, *protocol.questions]
    for step in protocol.step:
        told += [*step.how, *step.good_signs, step.picture]
    told += [shots.distance_text, shots.light_text, *shots.remarks, minutes_text(shots.minutes)]
    if protocol.target is not None and protocol.target.sheets is not None:
        assert "kitgauge target --paper" in page.text
        told.append(shots.distance.sheets.text)
    for text in told:
        assert " ".join(text.split()) in page.text
        assert all(word in flat for word in text.split())
    for shot in shots.shots:
        assert re.search(rf"^\s+{shot.number}\s+{re.escape(shot.step)}\s+{shot.frames}\s", plain, re.MULTILINE)
    optional_steps = {step.label for step in protocol.step if step.optional}
    for shot in shots.optional_shots:
        (line,) = re.findall(rf"^\s+{shot.number}\s+{shot.step.split()[0]}\s.*$", plain, re.MULTILINE)
        assert f", optional: {shot.step_name} (" in plain if shot.step_name in optional_steps else "optional" in line
    if shots.optional_shots:
        assert f"{shots.optional_frames} more frames" in flat and f"{shots.optional_frames} more frames" in page.text
    assert page.boxes == shots.frames + shots.optional_frames + len(protocol.setup)
    assert page.links == [], "the page needs nothing from outside"


def test_exact_settings_are_on_the_page():
    page = Page(brief_html(shot_list(load_protocol("noise-ladder").protocol, CAMERA)))
    assert "3 400 about 1/25 f/5.6" in page.text
    assert "10 25600 1/8000 any" in page.text


def hostile():
    nasty = '<script>alert(1)</script> [bold red]x[/] & "quoted"'
    text = f"""
schema = 1
id = "nasty"
title = '{nasty}'
purpose = '{nasty}'
measures = "practice"
cautions = ['{nasty}']
setup = ['{nasty}', '[/oops] {{{{ 7*7 }}}}']
[sweep]
setting = "iso"
values = [100]
[[step]]
role = "scene"
frames = 45
picture = '{nasty}'
"""
    return nasty, parse_protocol(text.encode(), Path("nasty.toml"))


def test_texts_are_neither_markup_nor_html():
    nasty, protocol = hostile()
    shots = shot_list(protocol, CAMERA)
    html = brief_html(shots)
    assert "<script>" not in html and "&lt;script&gt;" in html
    page = Page(html)
    assert nasty in page.text and "{{ 7*7 }}" in page.text
    plain = in_a_pipe(brief_text(shots), width=200)
    assert nasty in plain and "[/oops]" in plain
    summary = in_a_pipe(protocol_summary(LoadedProtocol(protocol, Path("nasty.toml"), "00")), width=200)
    assert nasty in summary


def test_many_frames_get_one_box_and_their_number():
    _, protocol = hostile()
    page = Page(brief_html(shot_list(protocol, CAMERA)))
    assert page.boxes == 2 + 1 and "x 45" in page.text


def test_step_words_do_not_hide_notes():
    shots = shot_list(load_protocol("noise-ladder").protocol, CameraRange(light_ev100=18))
    assert "too bright by" in Page(brief_html(shots)).text
    assert "too bright by" in in_a_pipe(brief_text(shots), width=140)


@pytest.mark.parametrize(
    ("minutes", "text"),
    [
        (0.5, "about 5 min"),
        (5, "about 5 min"),
        (5.1, "about 10 min"),
        (60, "about 1 h"),
        (71, "about 1 h 15 min"),
    ],
)
def test_time_is_rounded_up(minutes, text):
    assert minutes_text(minutes) == text


def test_list_and_summary():
    rows = {row[0]: row for row in protocol_rows(shipped_protocols())}
    assert rows["noise-ladder"][2] == "36" and rows["handheld-shutter"][2] == "84"
    listed = in_a_pipe(protocols_table(shipped_protocols()))
    assert all(identifier in listed for identifier in rows)
    loaded = load_protocol("handheld-shutter")
    summary = " ".join(in_a_pipe(protocol_summary(loaded), width=120).split())
    assert "from 2 stops faster to 4 stops slower than 1/focal length (35 mm terms)" in summary
    assert "10 per value" in summary and loaded.sha256 in summary
    noise = " ".join(in_a_pipe(protocol_summary(load_protocol("noise-ladder")), width=120).split())
    assert "f/5.6, shutter speed follows, level 15% to 85% of saturation" in noise
    assert "fastest shutter, lens cap on" in noise
