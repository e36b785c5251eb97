"""The table behind the chooser holds what the planner says, cell by cell."""

from __future__ import annotations

import json
import math

import pytest
from card_kits import expected_plan, shutter, write_kit, write_many

from kitgauge.card import chooser as module
from kitgauge.card.kit import read_card_kit
from kitgauge.errors import PlanError
from kitgauge.exposure import format_f_number, format_shutter, nominal_iso, percent
from kitgauge.planner.command import plan_from_results


class Reader:
    """Reads the table as its description says, written anew."""

    def __init__(self, values):
        self.values = values
        self.signs, self.width = values["signs"], values["width"]

    def numbers(self, text):
        found = []
        for start in range(0, len(text), self.width):
            value = 0
            for sign in text[start : start + self.width]:
                value = value * len(self.signs) + self.signs.index(sign)
            found.append(value)
        return found

    def cell(self, hold, lens, subject, light, distance):
        sizes = self.values["sizes"]
        line = ((hold * sizes[1] + lens) * sizes[2] + subject) * sizes[3] + light
        answer_row, reach_row = self.numbers(self.values["lines"])[2 * line : 2 * line + 2]
        found = {}
        for names, rows, items, row in (
            (self.values["fields"][0], "answer_rows", "answers", answer_row),
            (self.values["fields"][1], "reach_rows", "reaches", reach_row),
        ):
            places = self.numbers(self.values[rows][row])
            assert len(places) in (1, sizes[4])
            place = places[0] if len(places) == 1 else places[distance]
            texts = [self.values["texts"][number] for number in self.numbers(self.values[items][place])]
            found.update(zip(names, texts, strict=False))
            found.setdefault("mind", []).extend(texts[len(names) :])
        return found


def test_cells_all_over_the_table_are_what_the_planner_says(card_kit, chooser):
    reader = Reader(json.loads(json.dumps(chooser.as_dict())))
    holds, lenses, subjects, lights, distances = chooser.as_dict()["sizes"]
    assert (holds, lenses, subjects, lights, distances) == (3, 2, 6, 17, 8)
    seen = set()
    count = 0
    for number in range(0, holds * lenses * subjects * lights * distances, 37):
        rest, distance = divmod(number, distances)
        rest, light = divmod(rest, lights)
        rest, subject = divmod(rest, subjects)
        hold, lens = divmod(rest, lenses)
        plan = expected_plan(card_kit, chooser, hold, lens, subject, light, distance)
        cell = reader.cell(hold, lens, subject, light, distance)
        setting = plan.setting
        assert cell["settings"] == (
            f"{format_shutter(setting.shutter_s)}, {format_f_number(setting.f_number)}, "
            f"ISO {nominal_iso(setting.iso):.0f}"
        )
        if plan.shortfall_stops > 0:
            assert cell["short"].startswith(f"{plan.shortfall_stops:.1f} stops of light")
            assert cell["binds"] == "noise, that is the ISO limit"
        else:
            assert "of light" not in cell["short"]
        rate = plan.predicted.keep_rate
        assert cell["keep"].startswith("not measured" if rate is None else percent(rate))
        assert cell["focus"] == f"{plan.optics.focus_m:.3g} m"
        assert cell["mind"] == list(plan.cautions)
        assert (cell["way"] == "") == (not plan.alternatives)
        seen.add(cell["settings"])
        count += 1
    assert count > 100 and len(seen) > 40


def test_lookup_of_a_neighbour_is_another_answer(chooser):
    """The order of the axes matters: read in another order, the table gives other settings."""
    reader = Reader(chooser.as_dict())
    right = [reader.cell(0, 0, 0, light, 3)["settings"] for light in range(17)]
    assert len(set(right)) > 12
    # more light never needs a higher ISO
    isos = [int(text.rsplit(" ", 1)[1]) for text in right]
    assert isos == sorted(isos)


def test_signs_can_stand_in_a_page():
    assert len(set(module.SIGNS)) == len(module.SIGNS) == 88
    assert not set(module.SIGNS) & set("<>&\"'\\ ")


@pytest.mark.parametrize("width", [2, 3])
def test_numbers_written_are_numbers_read(width):
    numbers = [0, 1, 87, 88, 88**2 - 1, 4711]
    reader = Reader({"signs": module.SIGNS, "width": width})
    assert reader.numbers(module.written(numbers, width)) == numbers


def test_measured_technique_and_tripod_differ(chooser):
    assert chooser.holds == ("seated <i>low</i>", "standing", "tripod")
    reader = Reader(chooser.as_dict())
    dim = next(light for light, (ev, _) in enumerate(chooser.lights) if ev == 6)
    flat = [scene.label for scene in chooser.scenes].index("nothing moves")
    times = [reader.cell(hold, 0, flat, dim, 3)["settings"].split(" s")[0] for hold in range(3)]
    # limits of 1/20 s seated and 1/50 s standing; dials in thirds: 1/20 = 0.05 s is marked, its exact time is 2^(-13/3)
    assert times[0] == "1/20"
    assert times[1] == "1/50"
    assert times[2] not in times[:2]


def test_common_practice_without_limits(tmp_path, monkeypatch):
    monkeypatch.setattr(module, "LIGHTS_EV", (15, 8))
    kit = read_card_kit(tmp_path, focals_mm=(50.0,))
    table = module.chooser_table(kit)
    reader = Reader(table.as_dict())
    assert table.holds == ("handheld", "tripod")
    full_sun, room = (reader.cell(0, 0, 0, light, 3) for light in (0, 1))
    # a still person wants 1/60 s, f/4 is the lowest of the usual sharp range: at EV 8, ISO 100 x 16 x 64 / 2^8 = 400
    assert room["settings"] == "1/60 s, f/4, ISO 400"
    # EV 15 and f/4 at ISO 100: t = 16 / 2^15 = 1/2048 s
    assert full_sun["settings"] == "1/2000 s, f/4, ISO 100"
    assert any("sun" in text for text in full_sun["mind"])
    assert "common practice" in room["basis"] and "measured" not in room["basis"].replace("not measured", "")
    assert room["keep"] == "not measured"


def test_nearer_than_the_focal_length_is_said(tmp_path, monkeypatch):
    monkeypatch.setattr(module, "LIGHTS_EV", (10,))
    kit = read_card_kit(tmp_path, focals_mm=(800.0,))
    reader = Reader(module.chooser_table(kit).as_dict())
    near = reader.cell(0, 0, 0, 0, 0)
    with pytest.raises(PlanError) as caught:
        plan_from_results(tmp_path, ev100=10.0, focal_mm=800.0, distance_m=0.5)
    assert near["settings"] == ""
    assert caught.value.what in near["mind"][0]
    assert reader.cell(0, 0, 0, 0, 7)["settings"]


def test_many_ways_of_holding_and_lenses_are_left_out_by_name(tmp_path, monkeypatch):
    monkeypatch.setattr(module, "LIGHTS_EV", (10,))
    monkeypatch.setattr(module, "DISTANCES_M", (2.0,))
    kit = read_card_kit(write_many(tmp_path))
    table = module.chooser_table(kit)
    assert len(table.holds) == 3
    assert len(kit.techniques) == 5
    assert len(table.optics) <= 6 < len(kit.optics)
    said = " ".join(table.notes)
    assert all(name in said for name in kit.techniques[2:])
    assert f"of {len(kit.optics)} lenses" in said
    assert len(table.lines) == 2 * math.prod(table.as_dict()["sizes"][:4])


def test_a_measured_subject_is_a_choice_that_depends_on_its_distance(tmp_path, monkeypatch):
    monkeypatch.setattr(module, "LIGHTS_EV", (8,))
    head = shutter(50.0, 0.005, None, role="subject", subject="nodding head", mm_per_px=0.1, distance_m=2.0)
    kit = read_card_kit(write_kit(tmp_path, [head, shutter(50.0, 0.1, "standing")]), focals_mm=(50.0,))
    table = module.chooser_table(kit)
    labels = [scene.label for scene in table.scenes]
    subject = labels.index("nodding head (measured)")
    reader = Reader(table.as_dict())
    settings = []
    for distance in range(len(table.distances_m)):
        plan = expected_plan(kit, table, 0, 0, subject, 0, distance)
        settings.append(reader.cell(0, 0, subject, 0, distance)["settings"])
        assert settings[-1].startswith(f"{format_shutter(plan.setting.shutter_s)}, ")
    # the same speed is a shorter streak from farther away
    assert len(set(settings)) >= 4
