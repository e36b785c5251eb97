"""The target as PDF: vector outlines in exact millimetres, one page per sheet.

Written directly (ISO 32000-1: file structure 7.5, path painting 8.5.3): a plotting library's PDF cannot ask the
printer dialogue for "no scaling" (12.2, viewer preferences, PrintScaling). All coordinates are those of the sheet in
mm; one matrix per page turns them into points of 1/72 inch. Text is drawn as outlines, so no font has to be there.
"""

from __future__ import annotations

import zlib
from pathlib import Path

from kitgauge.atomic import write_atomically
from kitgauge.errors import UsageError
from kitgauge.matplotlib_ready import check_matplotlib
from kitgauge.target.drawing import Drawing, Fill, Text, draw_sheet, ink_tone
from kitgauge.target.layout import SHEET_PLACES, design_for, paper_size, sheet_layout

POINTS_PER_MM = 72.0 / 25.4


def write_target(
    out: Path,
    *,
    paper: str = "a4",
    sheets: int = 1,
    square_mm: float | None = None,
    contrast: float = 4.0,
    black: bool = False,
) -> str:
    """Write the target to `out` and return what it is, in one sentence.

    `paper`: a4, a3, letter or WIDTHxHEIGHTmm; `sheets` 1 (centre) or 2 to 5 (centre, then corners); `contrast` of the
    ink 2 to 10 to 1. Raises UsageError for what cannot be drawn.
    """
    if not 1 <= sheets <= len(SHEET_PLACES):
        raise UsageError(
            "a target has one to five sheets",
            where="--sheets",
            got=sheets,
            needed="1 to 5: centre, then the four corners",
            fix="take 5 for a frame larger than one sheet",
        )
    if out.suffix.lower() != ".pdf":
        raise UsageError(
            "the target is written as PDF",
            where="--out",
            got=out.name,
            needed="a name that ends in .pdf",
            fix="add .pdf",
        )
    size = paper_size(paper)
    design = design_for(size[1], size[2], square_mm)
    tone = ink_tone(contrast, black=black)
    drawings = [draw_sheet(sheet_layout(design, number), size, sheets, tone) for number in range(1, sheets + 1)]
    write_atomically(out, pdf_bytes(drawings))
    count = "1 page" if sheets == 1 else f"{sheets} pages (centre and corners)"
    ink = "solid black" if black else f"contrast {contrast:g} to 1"
    return f"{count}, {size[0]}, squares of {design.square_mm} mm, {ink}"


def pdf_bytes(drawings: list[Drawing], title: str = "kitgauge target") -> bytes:
    """Return a PDF file with one page per drawing; the same drawings give the same bytes."""
    objects: list[bytes] = []
    pages = [4 + 2 * index for index in range(len(drawings))]
    kids = " ".join(f"{number} 0 R" for number in pages)
    objects.append(b"<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>")
    objects.append(f"<< /Type /Pages /Count {len(drawings)} /Kids [{kids}] >>".encode())
    objects.append(f"<< /Title ({title}) /Producer (kitgauge) >>".encode())
    for number, drawing in zip(pages, drawings, strict=True):
        box = f"[0 0 {_number(drawing.width_mm * POINTS_PER_MM)} {_number(drawing.height_mm * POINTS_PER_MM)}]"
        objects.append(
            f"<< /Type /Page /Parent 2 0 R /MediaBox {box} /TrimBox {box} /Resources << >> "
            f"/Contents {number + 1} 0 R >>".encode()
        )
        stream = zlib.compress(_content(drawing).encode("ascii"), 9)
        head = f"<< /Length {len(stream)} /Filter /FlateDecode >>\nstream\n".encode()
        objects.append(head + stream + b"\nendstream")
    return _file(objects)


def _file(objects: list[bytes]) -> bytes:
    """Return the objects, numbered from 1, with header, cross-reference table and trailer."""
    out = bytearray(b"%PDF-1.6\n%\xe2\xe3\xcf\xd3\n")
    places = []
    for number, content in enumerate(objects, start=1):
        places.append(len(out))
        out += f"{number} 0 obj\n".encode() + content + b"\nendobj\n"
    start = len(out)
    out += f"xref\n0 {len(objects) + 1}\n0000000000 65535 f \n".encode()
    out += b"".join(f"{place:010d} 00000 n \n".encode() for place in places)
    out += f"trailer\n<< /Size {len(objects) + 1} /Root 1 0 R /Info 3 0 R >>\nstartxref\n{start}\n%%EOF\n".encode()
    return bytes(out)


def _number(value: float) -> str:
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _content(drawing: Drawing) -> str:
    """Return the page's operators: y turned downward and mm turned into points once, then all in mm."""
    scale = f"{POINTS_PER_MM:.10f}"
    lines = [f"{scale} 0 0 -{scale} 0 {_number(drawing.height_mm * POINTS_PER_MM)} cm"]
    lines += [_fill(fill) for fill in drawing.fills]
    lines.append(f"{_number(grey_level(0.0))} g")
    lines += [_text(text) for text in drawing.texts]
    return "\n".join(lines)


def grey_level(tone: float) -> float:
    """Return the device grey of a luminance 0 to 1: the transfer function of sRGB (IEC 61966-2-1), which printers'
    drivers take grey for."""
    return 12.92 * tone if tone <= 0.0031308 else 1.055 * tone ** (1 / 2.4) - 0.055


def _fill(fill: Fill) -> str:
    parts = [f"{_number(grey_level(fill.tone))} g"]
    for outline in fill.outlines:
        (x, y), *rest = outline
        parts.append(f"{_number(x)} {_number(y)} m")
        parts += [f"{_number(x)} {_number(y)} l" for x, y in rest]
        parts.append("h")
    return "\n".join([*parts, "f"])


def _text(text: Text) -> str:
    """Return a line of text as filled outlines."""
    check_matplotlib()
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    font = FontProperties(family="DejaVu Sans", weight="bold" if text.bold else "normal")
    size = text.capitals_mm / 0.729  # height of capitals in the face that comes with Matplotlib, of its size
    path = TextPath((0.0, 0.0), text.text, size=size, prop=font)
    parts: list[str] = []
    here = (0.0, 0.0)

    def place(x: float, y: float) -> str:
        return f"{text.x_mm + x:.4f} {text.y_mm - y:.4f}"

    for points, code in path.iter_segments(curves=True, simplify=False):
        x, y = (float(value) for value in points[-2:])
        if code == path.MOVETO:
            parts.append(f"{place(x, y)} m")
        elif code == path.LINETO:
            parts.append(f"{place(x, y)} l")
        elif code == path.CURVE3:  # a cubic curve that is the same as the quadratic one
            cx, cy = (float(value) for value in points[:2])
            first = here[0] + 2 / 3 * (cx - here[0]), here[1] + 2 / 3 * (cy - here[1])
            second = x + 2 / 3 * (cx - x), y + 2 / 3 * (cy - y)
            parts.append(f"{place(*first)} {place(*second)} {place(x, y)} c")
        elif code == path.CURVE4:
            a, b, c, d = (float(value) for value in points[:4])
            parts.append(f"{place(a, b)} {place(c, d)} {place(x, y)} c")
        else:
            parts.append("h")
            continue
        here = (x, y)
    return "\n".join([*parts, "f"]) if parts else ""
