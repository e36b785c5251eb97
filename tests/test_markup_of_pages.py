"""Pages beside the report: class, fleet, comparison, brief and card, with texts that try to be markup."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from page_markup import MARKUP, PLAIN, Elements, assert_only_text, with_text

from kitgauge.card import chooser as chooser_module
from kitgauge.card.chooser import chooser_table
from kitgauge.card.content import card_of
from kitgauge.card.kit import read_card_kit
from kitgauge.card.page import card_page
from kitgauge.limits.model import Limit
from kitgauge.limits.store import accept
from kitgauge.protocol.brief import brief_html
from kitgauge.protocol.camera_range import CameraRange
from kitgauge.protocol.loading import LoadedProtocol, load_protocol
from kitgauge.protocol.model import Protocol
from kitgauge.protocol.shot_list import shot_list
from kitgauge.report.class_page import class_page
from kitgauge.report.comparison_page import comparison_page
from kitgauge.report.fleet_page import fleet_page

LEARNER = {
    "learner": "Ada", "status": "partial", "reason": "few frames", "fix": "shoot again", "run": "01-ada",
    "page": "01-ada/report.html", "camera": "Made Up 1", "frames": 3, "results": {"tries": "two"},
}  # fmt: skip
CLASS = {"schema": 1, "protocol": "practice-iso", "title": "Practice", "folder": "May", "cautions": ["The sun."],
         "learners": [LEARNER, {**LEARNER, "status": "failed", "page": None}]}  # fmt: skip
RUN = {
    "protocol": "noise-ladder", "status": "complete", "reason": "", "fix": "", "run": "01/x",
    "page": "01/x/report.html", "body": "Made Up 1", "body_serial": "7", "lens": "Made Up 50 mm",
    "siblings": "Made Up 1", "limits": ["Up to ISO 1600."], "numbers": [],
}  # fmt: skip
DEVIATION = {
    "kit": "A", "protocol": "noise-ladder", "group": 0, "number": "gain", "unit": "e-/DN", "in_stops": False,
    "siblings": 3, "value": 2.5, "expected": 2.0, "difference_log2": 0.3, "stderr_log2": 0.01, "spread_log2": 0.02,
    "z": 5.0, "p": 1e-4, "p_together": 1e-3, "differs": True, "seen_from_log2": 0.1,
}  # fmt: skip
FLEET = {
    "schema": 1, "folder": "shelf", "comparisons": 4, "notes": ["two folders of one body"],
    "kits": [{"kit": "A", "runs": [RUN, {**RUN, "status": "failed", "reason": "no frames", "fix": "go", "page": ""}]}],
    "groups": [{"protocol": "noise", "siblings": "Made Up 1", "kits": ["A"], "numbers": ["gain"], "enough": True}],
    "deviations": [DEVIATION],
}  # fmt: skip
COMPARISON = {
    "criterion": {"keep": 0.8, "streak_px": 4.81, "streak_share_of_diagonal": 1 / 1500},
    "runs": [
        {"run": name, "label": label, "taken_at": "2026-03-01T10:00:00", "shutter_s": 1 / 40, "ci_low_s": 1 / 48,
         "ci_high_s": 1 / 33, "scaled": name == "two"}
        for name, label in (("one", "standing"), ("two", "seated"))
    ],
    "differences": [{"text": "Seated, compared with standing: +1.00 stops."}], "progress": [],
    "notes": ["measured once"],
}  # fmt: skip


@pytest.mark.parametrize(
    ("make", "content", "keep"),
    [
        (class_page, CLASS, {"status", "page"}),
        (fleet_page, FLEET, {"status", "page", "unit"}),
        (comparison_page, COMPARISON, {"taken_at"}),
    ],
    ids=["class", "fleet", "comparison"],
)
def test_overviews(make: Any, content: dict[str, Any], keep: set[str]) -> None:
    assert_only_text(make(with_text(content, MARKUP, keep)), make(with_text(content, PLAIN, keep)))


@pytest.mark.parametrize("which", ["subject-motion", "aperture-sweep", "practice-aperture", "noise-ladder"])
def test_a_brief(which: str) -> None:
    """Every text of a protocol file, and those that the brief makes of names in it."""
    pages = []
    for text in (MARKUP, PLAIN):
        loaded = load_protocol(which)
        words = re.sub(r"[\x00-\x1f\x7f\ud800]", "", text)[:60]  # a line of the file, and short enough for one
        protocol = loaded.protocol
        content = protocol.model_dump(by_alias=True)
        for key in ("title", "purpose", "distance"):
            content[key] = f"{content[key]}{text}" if content[key] else None
        for key in ("cautions", "setup", "questions"):
            content[key] = tuple(item + text for item in content[key])
        for step in content["step"]:
            step["how"] = tuple(item + text for item in step["how"])
            step["good_signs"] = tuple(item + text for item in step["good_signs"])
            step["picture"] = (step["picture"] or "") + text
            step["name"] = (step["name"] or step["role"]) + words
        made = Protocol.model_construct(**_as_models(protocol, content))
        shots = shot_list(made, CameraRange())
        pages.append(brief_html(shots, LoadedProtocol(made, Path(f"{text}.toml"), "00"), f"{text}.toml"))
    assert_only_text(*pages)


def _as_models(protocol: Protocol, content: dict[str, Any]) -> dict[str, Any]:
    """Return the changed texts beside the parts as they are: what the checks would refuse is to be safe as well."""
    found = {name: getattr(protocol, name) for name in type(protocol).model_fields}
    for name in ("title", "purpose", "distance", "cautions", "setup", "questions"):
        found[name] = content[name]
    found["step"] = tuple(
        step.model_copy(update={key: changed[key] for key in ("how", "good_signs", "picture", "name")})
        for step, changed in zip(protocol.step, content["step"], strict=True)
    )
    return found


def test_a_card_and_the_table_in_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(chooser_module, "LIGHTS_EV", (8,))
    monkeypatch.setattr(chooser_module, "DISTANCES_M", (2.0,))
    pages = []
    for text in (MARKUP, PLAIN):
        words = re.sub("[\ud800]", "", text)
        circumstances = {"lens": f"Made Up{words}", "focal_mm": 50.0, "text": words}
        limits = [
            Limit("shutter", {"shutter_s": 0.02}, {}, 0.017, 0.024, {"streak_px": 5.0, "keep": 0.8},
                  technique=f"standing{words}", **circumstances),
            Limit("shutter", {"shutter_s": 0.002}, {}, 0.0017, 0.0024, {"streak_px": 5.0, "keep": 0.8},
                  extra={"role": "subject", "subject": f"toy{words}"}, **circumstances),
            Limit("f_number", {"f_number_low": 2.8, "f_number_high": 8.0}, {}, 2.5, 9.0, {"mtf50_fraction": 0.9},
                  region=f"whole frame{words}", **circumstances),
            Limit("iso", {"iso": 1600.0}, {}, 1500.0, 1700.0, {"snr": 10.0, "output_mp": 8.0}, words, 0.1),
        ]  # fmt: skip
        results = tmp_path / str(len(pages))
        accept(results / "kit" / "limits.toml", "one", limits, body=f"Made Up{words}")
        file = results / "kit" / "limits.toml"
        file.write_text(file.read_text().replace('run = "one"', "run = " + json.dumps(f"/x{words}")))
        kit = read_card_kit(results)
        assert len(kit.notes) == 1 and "are not read" in kit.notes[0]
        pages.append(card_page(card_of(kit), chooser_table(kit)))
    assert_only_text(*pages)
    scripts = [item for item in Elements(pages[0]).found if item[0] == "script"]
    assert len(scripts) == 2  # the table, and what looks up in it
    table = re.search(r'id="cells">(.*?)</script>', pages[0], flags=re.DOTALL)
    assert table and "<" not in table[1] and json.loads(table[1])["texts"]


def test_signs_that_turn_or_hide_text_are_shown_as_one_that_does_nothing() -> None:
    page = comparison_page(
        {**COMPARISON, "notes": ["\u202eOSI\u202c \x1b[31m \x85 \u2066 \r tab\there é 写 \U0001f4f7"]}
    )
    assert "\ufffdOSI\ufffd \ufffd[31m \ufffd \ufffd" in page and "tab\there é 写 \U0001f4f7" in page
