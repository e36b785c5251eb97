"""The PDF file read back: page size, outlines where the layout says, the ruler exact, an own small reader."""

import itertools
import re
import shutil
import subprocess
import sys
import zlib

import cv2
import numpy as np
import pytest

from kitgauge.errors import ResultsError, UsageError
from kitgauge.target.drawing import draw_sheet, ink_tone, marker_bits
from kitgauge.target.layout import design_for, paper_size, sheet_layout
from kitgauge.target.pdf import grey_level, pdf_bytes, write_target

MM = 25.4 / 72


def read_pages(data):
    """Return per page (width, height [mm], [(grey, [outlines in mm from the top left])]), by the file's own table."""
    start = int(re.search(rb"startxref\s+(\d+)\s+%%EOF\s*$", data).group(1))
    head, count = re.match(rb"xref\s+0 (\d+)\s", data[start:]), None
    count = int(head.group(1))
    rows = data[start:].split(b"\n")[2 : 2 + count]
    assert all(len(row) == 19 for row in rows)  # 20 bytes with the line end, ISO 32000-1, 7.5.4
    objects = {}
    for number, row in enumerate(rows):
        if row.endswith(b"n "):
            place = int(row[:10])
            begin = data[place:]
            assert begin.startswith(f"{number} 0 obj".encode())
            objects[number] = begin[: begin.index(b"endobj")]
    kids = re.search(rb"/Kids \[(.*?)\]", objects[2]).group(1)
    for number in map(int, re.findall(rb"(\d+) 0 R", kids)):
        box = [float(value) for value in re.search(rb"/MediaBox \[(.*?)\]", objects[number]).group(1).split()]
        stream = objects[int(re.search(rb"/Contents (\d+) 0 R", objects[number]).group(1))]
        length = int(re.search(rb"/Length (\d+)", stream).group(1))
        begin = stream.index(b"stream\n") + 7
        yield box[2] * MM, box[3] * MM, list(fills(zlib.decompress(stream[begin : begin + length]).decode(), box[3]))


def fills(content, height_pt):
    """Run the operators cm, g, m, l, c, h and f; anything else is an error."""
    matrix, grey, outlines, stack = None, 0.0, [], []

    def place(x, y):
        a, b, c, d, e, f = matrix
        return (a * x + c * y + e) * MM, (height_pt - (b * x + d * y + f)) * MM

    for word in content.split():
        if re.fullmatch(r"-?[\d.]+", word):
            stack.append(float(word))
            continue
        if word == "cm":
            matrix = stack
        elif word == "g":
            grey = stack[0]
        elif word == "m":
            outlines.append([place(*stack)])
        elif word == "l":
            outlines[-1].append(place(*stack))
        elif word == "c":
            outlines[-1].append(place(*stack[4:]))
        elif word == "f":
            yield grey, outlines
            outlines = []
        else:
            assert word == "h", word
        stack = []


def pages(tmp_path, **options):
    out = tmp_path / "target.pdf"
    write_target(out, **options)
    return list(read_pages(out.read_bytes()))


@pytest.mark.parametrize(
    ("paper", "size"), [("a4", (297, 210)), ("a3", (420, 297)), ("letter", (279.4, 215.9)), ("333x222mm", (333, 222))]
)
def test_pages_have_the_papers_size(tmp_path, paper, size):
    for width, height, _ in pages(tmp_path, paper=paper, sheets=2):
        assert (width, height) == pytest.approx(size, abs=1e-4)


@pytest.mark.parametrize("number", [1, 4])
def test_edges_lie_where_the_layout_says(tmp_path, number):
    _, _, drawn = pages(tmp_path, sheets=5)[number - 1]
    quads = [np.array(outline) for _, outlines in drawn for outline in outlines if len(outline) == 4]
    for square in sheet_layout(design_for(297.0, 210.0), number).squares:
        assert any(np.allclose(quad, square.corners, atol=2e-5) for quad in quads)


def test_an_odd_paper_has_the_drawing_in_its_middle(tmp_path):
    width, _, drawn = pages(tmp_path, paper="303x208mm")[0]
    middles = [np.mean(outlines[0], axis=0) for _, outlines in drawn if len(outlines) == 1 and len(outlines[0]) == 4]
    xs = sorted(x for x, _ in middles[:9])
    assert (xs[0] + xs[-1]) / 2 == pytest.approx(width / 2)


def test_the_ruler_is_exact(tmp_path):
    _, _, drawn = pages(tmp_path)[0]
    ticks = max((outlines for _, outlines in drawn if all(len(outline) == 4 for outline in outlines)), key=len)
    middle = np.array([np.mean([x for x, _ in tick]) for tick in ticks])
    assert len(ticks) == 101
    assert middle[-1] - middle[0] == pytest.approx(100.0, abs=1e-5)
    assert np.allclose(np.diff(middle), 1.0, atol=1e-5)


def test_the_ink_has_the_contrast_asked_for(tmp_path):
    for contrast in (2.0, 4.0, 10.0):
        _, _, drawn = pages(tmp_path, contrast=contrast)[0]
        grey = drawn[0][0]
        luminance = ((grey + 0.055) / 1.055) ** 2.4  # IEC 61966-2-1
        assert 1 / luminance == pytest.approx(contrast, rel=1e-4)
    assert pages(tmp_path, black=True)[0][2][0][0] == 0
    assert grey_level(0.002) == pytest.approx(12.92 * 0.002)


def test_markers_are_those_of_the_public_dictionary():
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    for marker in sheet_layout(design_for(1000.0, 700.0), 3).markers:
        bits = marker_bits(marker.code)
        assert bits.shape == (7, 7) and bits[0].all() and bits[:, 0].all()
        known, code, turn = dictionary.identify((~bits[1:-1, 1:-1]).astype(np.uint8), 0.0)
        assert (known, code, turn) == (True, marker.code, 0)


def test_codes_differ_in_five_bits_or_more_however_turned():
    from kitgauge.measure.edges.target_markers import _bank

    codes = _bank()[1]
    turned = np.stack([[np.rot90(marker_bits(int(code))[1:-1, 1:-1], k).ravel() for code in codes] for k in range(4)])
    upright = turned[0].astype(np.int32)
    for k in range(4):
        other = turned[k].astype(np.int32)
        differing = upright.sum(1)[:, None] + other.sum(1)[None, :] - 2 * upright @ other.T
        if k == 0:
            np.fill_diagonal(differing, 25)
        assert differing.min() >= 5


def test_the_file_is_the_same_each_time_and_asks_not_to_be_scaled(tmp_path):
    one, other = tmp_path / "one.pdf", tmp_path / "other.pdf"
    write_target(one, sheets=3)
    write_target(other, sheets=3)
    assert one.read_bytes() == other.read_bytes()
    assert b"/PrintScaling /None" in one.read_bytes()


def test_the_text_fits_and_says_what_it_is():
    for paper, number in itertools.product(("a4", "letter", "120x120mm", "1500x1000mm"), (1, 5)):
        size = paper_size(paper)
        sheet = sheet_layout(design_for(*size[1:]), number)
        drawing = draw_sheet(sheet, size, 5, 0.25)
        words = " ".join(text.text for text in drawing.texts)
        assert f"sheet {number} of 5" in words and "100 %" in words and sheet.place in words
        content = pdf_bytes([drawing])
        (_, _, drawn) = next(read_pages(content))
        glyphs = [np.array(outline) for grey, outlines in drawn if grey == 0 for outline in outlines]
        assert len(glyphs) > 150
        ends = np.concatenate(glyphs)
        assert ends.min() > 4 and ends[:, 0].max() < size[1] - 4 and ends[:, 1].max() < size[2] - 4
        words_end = max(g[:, 0].max() for g in glyphs if g[:, 1].min() < sheet.grey[0].y_mm + 6.4)
        assert words_end < sheet.grey[0].x_mm + (size[1] - sheet.design.width_mm) / 2


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="no program here turns PDF into pixels")
def test_another_program_draws_the_same(tmp_path):
    out = tmp_path / "target.pdf"
    write_target(out, sheets=2)
    subprocess.run(
        ["pdftoppm", "-r", "127", "-gray", "-f", "2", "-l", "2", "-singlefile", str(out), str(tmp_path / "page")],
        check=True,
    )
    picture = cv2.imread(str(tmp_path / "page.pgm"), cv2.IMREAD_GRAYSCALE)
    assert abs(picture.shape[1] - 297 * 5) <= 1 and abs(picture.shape[0] - 210 * 5) <= 1
    for square in sheet_layout(design_for(297.0, 210.0), 2).squares:
        x, y = round(square.x_mm * 5), round(square.y_mm * 5)
        assert picture[y, x] == pytest.approx(255 * grey_level(0.25), abs=1.5)
        reach = round(5 * (0.5 * 27 * 1.09 + 2))
        assert picture[y, x + reach] == picture[y - reach, x] == 255
    # the public detector reads every marker of the page
    _, codes, _ = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)).detectMarkers(
        picture
    )
    assert sorted(codes.ravel()) == [16 + k for k in range(16)]


@pytest.mark.parametrize(
    "options",
    [
        {"sheets": 0},
        {"sheets": 6},
        {"contrast": 1.5},
        {"contrast": 30},
        {"contrast": float("nan")},
        {"black": True, "contrast": 5},
    ],
)
def test_impossible_wishes_are_refused(tmp_path, options):
    with pytest.raises(UsageError):
        write_target(tmp_path / "target.pdf", **options)
    assert not list(tmp_path.iterdir())


def test_the_name_must_say_pdf_and_the_folder_must_be_there(tmp_path):
    with pytest.raises(UsageError, match="PDF"):
        write_target(tmp_path / "target.png")
    with pytest.raises(ResultsError, match="cannot write"):
        write_target(tmp_path / "nowhere" / "target.pdf")


def test_ink_is_a_share_of_the_papers_luminance():
    assert ink_tone() == 0.25 and ink_tone(black=True) == 0


def test_the_command_writes_it_and_says_what_to_do(tmp_path):
    def run(*arguments):
        return subprocess.run(
            [sys.executable, "-m", "kitgauge", "target", *arguments],
            cwd=tmp_path,
            capture_output=True,
            text=True,
            check=False,
        )

    done = run("--paper", "letter", "--sheets", "5", "--square-mm", "25", "--out", "mine.pdf")
    assert done.returncode == 0 and done.stderr == ""
    assert "5 pages" in done.stdout and "25 mm" in done.stdout and "100 %" in done.stdout
    assert len(list(read_pages((tmp_path / "mine.pdf").read_bytes()))) == 5
    wrong = run("--paper", "a4", "--square-mm", "40")
    assert wrong.returncode == 2 and "8 to 27 mm" in wrong.stderr and not (tmp_path / "target.pdf").exists()
