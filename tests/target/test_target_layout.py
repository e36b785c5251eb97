"""The sheet's geometry is sound: nothing overlaps, nothing leaves the paper, and the markers tell the design."""

import itertools
import math

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from kitgauge.errors import UsageError
from kitgauge.target import layout
from kitgauge.target.layout import (
    MARGIN_MM,
    Design,
    design_for,
    designs_told,
    largest_square_mm,
    marker_code,
    marker_digits,
    marker_meaning,
    paper_size,
    sheet_layout,
)

PAPERS = ("a4", "a3", "letter", "210x297mm", "1000x700mm", "1500x1000mm", "2650x1700mm", "120x120mm")


def sheets():
    for paper in PAPERS:
        _, width, height = paper_size(paper)
        for square in (None, 10):
            yield sheet_layout(design_for(width, height, square), 1)


def box_of(points):
    xs, ys = zip(*points, strict=True)
    return min(xs), min(ys), max(xs), max(ys)


def apart(a, b):
    """Return the distance between two boxes, 0 where they touch or overlap."""
    dx = max(a[0] - b[2], b[0] - a[2], 0.0)
    dy = max(a[1] - b[3], b[1] - a[3], 0.0)
    return math.hypot(dx, dy)


@pytest.mark.parametrize("sheet", list(sheets()), ids=lambda sheet: repr(sheet.design))
class TestSheet:
    def parts(self, sheet):
        squares = [box_of(square.corners) for square in sheet.squares]
        markers = [box_of(marker.box.corners) for marker in sheet.markers]
        footer = [box_of(box.corners) for box in (sheet.ruler, sheet.text, *sheet.grey)]
        return squares, markers, footer

    def test_everything_lies_inside_the_margins(self, sheet):
        for group in self.parts(sheet):
            for left, top, right, bottom in group:
                assert left >= MARGIN_MM - 1e-9 and top >= MARGIN_MM - 1e-9
                assert right <= sheet.design.width_mm - MARGIN_MM + 1e-9
                assert bottom <= sheet.design.height_mm - MARGIN_MM + 1e-9

    def test_squares_have_white_around_them(self, sheet):
        squares, _, footer = self.parts(sheet)
        side = sheet.design.square_mm
        for one, other in itertools.combinations(squares, 2):
            assert apart(one, other) >= 0.9 * side - 0.01
        for one in squares:
            assert all(apart(one, other) >= 0.45 * side for other in footer)
            left, top, right, bottom = one
            assert min(left, top, sheet.design.width_mm - right, sheet.design.height_mm - bottom) > 0.45 * side

    def test_markers_have_a_quiet_zone_of_a_module_and_more(self, sheet):
        squares, markers, footer = self.parts(sheet)
        module = sheet.markers[0].box.width_mm / 7
        for one, other in itertools.combinations(markers, 2):
            assert apart(one, other) > 3 * module
        for one in markers:
            assert all(apart(one, other) >= 1.5 * module - 1e-9 for other in squares)
            assert all(apart(one, other) >= module - 1e-9 for other in footer)
            left, top, right, bottom = one
            ends = (left, top, sheet.design.width_mm - right, sheet.design.height_mm - bottom)
            assert min(ends) >= 1.5 * module - 1e-9

    def test_no_marker_lies_in_front_of_an_edge(self, sheet):
        for square in sheet.squares:
            for (x0, y0), (x1, y1) in square.edges.values():
                length = math.hypot(x1 - x0, y1 - y0)
                along = ((x1 - x0) / length, (y1 - y0) / length)
                outward = (along[1], -along[0])
                for marker in sheet.markers:
                    places = [
                        ((x - x0) * along[0] + (y - y0) * along[1], (x - x0) * outward[0] + (y - y0) * outward[1])
                        for x, y in marker.box.corners
                    ]
                    in_front = min(across for _, across in places) > 0
                    beside = min(u for u, _ in places) >= length or max(u for u, _ in places) <= 0
                    near = min(across for _, across in places) < 1.5 * length
                    assert beside or not (in_front and near), (square, marker)

    def test_squares_lean_both_ways_by_five_degrees_and_neighbours_differ(self, sheet):
        assert {square.tilt_deg for square in sheet.squares} == {5.0, -5.0}
        for square in sheet.squares:
            if square.number % 3:
                assert sheet.squares[square.number].tilt_deg == -square.tilt_deg
            for (x0, y0), (x1, y1) in square.edges.values():
                angle = math.degrees(math.atan2(y1 - y0, x1 - x0)) % 90
                assert min(angle, 90 - angle) == pytest.approx(5)
                assert math.hypot(x1 - x0, y1 - y0) == pytest.approx(sheet.design.square_mm)

    def test_dark_lies_to_the_right_of_the_way_along_an_edge(self, sheet):
        for square in sheet.squares:
            for (x0, y0), (x1, y1) in square.edges.values():
                # y points down, so the right-hand side of a way (dx, dy) is (-dy, dx)
                assert (square.x_mm - x0) * -(y1 - y0) + (square.y_mm - y0) * (x1 - x0) > 0


def test_the_largest_square_is_the_largest():
    for width, height in layout.PAPERS_MM.values():
        side = largest_square_mm(width, height)

        # three squares, their lean and 0.9 of white between, and markers of 0.625 at the ends, on what margins leave
        def needed(square):
            lattice = 3 * square * (0.9 + math.cos(math.radians(5)) + math.sin(math.radians(5)))
            return lattice + math.floor(2 * 0.625 * square) / 2

        free = height - 2 * 8 - 12
        assert needed(side) <= free
        assert needed(side + 1) > free


def test_the_centre_square_is_in_the_middle_between_the_sides():
    for sheet in sheets():
        centre = sheet.squares[4]
        assert centre.x_mm == pytest.approx(sheet.design.width_mm / 2)
        assert [square.number for square in sheet.squares] == list(range(1, 10))


def test_codes_are_unique_over_sheets_and_stay_in_the_dictionary():
    for paper in PAPERS:
        _, width, height = paper_size(paper)
        design = design_for(width, height)
        codes = [marker.code for number in range(1, 6) for marker in sheet_layout(design, number).markers]
        assert len(set(codes)) == 80 and min(codes) >= 0 and max(codes) < 1000


def test_every_code_means_what_made_it():
    for sheet, position, digit in itertools.product(range(1, 6), range(16), range(12)):
        assert marker_meaning(marker_code(sheet, position, digit)) == (sheet, position, digit)
    assert marker_meaning(960) is None and marker_meaning(999) is None


designs = st.builds(
    lambda w, h, share: (5.0 * w, 5.0 * h, share),
    st.integers(20, 531),
    st.integers(20, 531),
    st.floats(0, 1),
)


@given(designs)
@settings(max_examples=60, deadline=None)
def test_markers_spell_any_design(values):
    width, height, share = values
    largest = largest_square_mm(width, height)
    assume(largest >= 8)
    design = design_for(width, height, 8 + round(share * (largest - 8)))
    digits = dict(enumerate(marker_digits(design)))
    assert designs_told(digits) == (design,)
    # any half of the sheet is enough: one of two markers opposite each other
    half = {place: digit for place, digit in digits.items() if place < 8}
    assert designs_told(half) == (design,)
    # two figures lost leave a list with the right design in it
    fewer = {place: digit for place, digit in half.items() if place not in (2, 5)}
    told = designs_told(fewer)
    assert design in told and len(told) <= 81


def test_standard_papers_are_told_by_one_marker():
    for index, (width, height) in enumerate(layout.PAPERS_MM.values()):
        assert designs_told({7: index}) == (design_for(width, height),)


def test_digits_that_contradict_each_other_tell_nothing():
    design = design_for(1000, 700)
    digits = dict(enumerate(marker_digits(design)))
    digits[15] = 3 + (digits[15] - 2) % 9
    assert designs_told(digits) == ()
    assert designs_told({0: 5, 1: 1}) == ()


def test_odd_sizes_are_drawn_on_whole_steps():
    assert design_for(303.0, 207.4) == Design(300.0, 205.0, largest_square_mm(300, 205))
    assert design_for(297.0, 210.0, 20) == Design(295.0, 210.0, 20)


@pytest.mark.parametrize(
    ("paper", "named"),
    [("A4", "a4"), (" letter ", "letter"), ("300x200", "300 x 200 mm"), ("300X200MM", "300 x 200 mm")],
)
def test_papers_are_read_as_people_write_them(paper, named):
    assert paper_size(paper)[0] == named


@pytest.mark.parametrize(
    "paper", ["a5", "300", "0x0mm", "1x2x3", "nanx200mm", "infx200mm", "-300x200mm", "9000x200mm", ""]
)
def test_impossible_papers_are_refused(paper):
    with pytest.raises(UsageError, match="paper"):
        paper_size(paper)


@pytest.mark.parametrize("square", [7, 28, 20.5, 0, -3, 1e9])
def test_squares_that_do_not_fit_are_refused(square):
    with pytest.raises(UsageError, match="squares"):
        design_for(297.0, 210.0, square)


def test_sheets_are_numbered_one_to_five():
    with pytest.raises(ValueError, match="1 to 5"):
        sheet_layout(design_for(297.0, 210.0), 6)
