"""A document as PDF, through reportlab, with a font of its own so that it looks the same on every computer.

The same document gives the same bytes. What the font has no sign for is printed as an empty box, and named to the
caller: the HTML form has the reader's fonts and shows it.
"""

from __future__ import annotations

import gzip
import io
from collections.abc import Callable
from dataclasses import dataclass, field
from html import escape
from importlib.resources import files
from typing import Any

from mediaprep.printing import qr
from mediaprep.printing.document import (
    TICK_BOX,
    Block,
    Document,
    Facts,
    Heading,
    Paragraph,
    SignLines,
    Table,
    Tag,
    Tags,
)

_MISSING = "\u25a1"
_FONT, _BOLD = "mediaprep", "mediaprep-bold"
_MARGIN_MM = 14.0
_FRAME_POINTS = 6
_SMALLEST = 4.5
_GREY = 0.9
# reportlab lays a table out again at each page it breaks across, so one of many pages takes the square of its length.
_ROWS_AT_ONCE = 120


@dataclass
class _Text:
    """Text made ready for the font; `missing` gathers the signs that it lacks."""

    glyphs: frozenset[int]
    missing: set[str] = field(default_factory=set)

    def plain(self, text: str) -> str:
        """Return a text with a box for each sign that the font lacks, and blanks for control characters."""
        shown = []
        for sign in text:
            if not sign.isprintable():
                shown.append(" ")
            elif ord(sign) in self.glyphs:
                shown.append(sign)
            else:
                self.missing.add(sign)
                shown.append(_MISSING)
        return "".join(shown)

    def markup(self, text: str) -> str:
        """Return a text as reportlab's paragraphs want it."""
        return escape(self.plain(text), quote=False)


def render(document: Document, *, letter: bool = False) -> tuple[bytes, frozenset[str]]:
    """Return a document as PDF, for A4 or US letter paper, and the signs that its font lacks."""
    from reportlab.lib.pagesizes import A4, landscape
    from reportlab.lib.pagesizes import letter as letter_size
    from reportlab.lib.units import mm
    from reportlab.platypus import SimpleDocTemplate

    text = _Text(_register_fonts())
    size = letter_size if letter else A4
    size = landscape(size) if document.wide else size
    out = io.BytesIO()
    template = SimpleDocTemplate(
        out,
        pagesize=size,
        leftMargin=_MARGIN_MM * mm,
        rightMargin=_MARGIN_MM * mm,
        topMargin=_MARGIN_MM * mm,
        bottomMargin=(_MARGIN_MM + 4) * mm,
        title=document.title,
        author="mediaprep",
        invariant=1,  # no time of making in the file
    )
    # A frame keeps six points free at either side: tables are made as broad as its text.
    drawing = _Drawing(text, float(template.width) - 2 * _FRAME_POINTS)
    story = [drawing.title(document.title), drawing.subtitle(document.subtitle)]
    for block in document.blocks:
        story += drawing.block(block)
    template.build(story, canvasmaker=_numbered(text.plain(document.foot)))
    return out.getvalue(), frozenset(text.missing)


def _register_fonts() -> frozenset[int]:
    """Make the fonts known to reportlab, and return the code points that both have signs for."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = files("mediaprep.printing") / "fonts"
    glyphs: list[frozenset[int]] = []
    for name, file in ((_FONT, "DejaVuSans.ttf.gz"), (_BOLD, "DejaVuSans-Bold.ttf.gz")):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, io.BytesIO(gzip.decompress((folder / file).read_bytes()))))
        glyphs.append(frozenset(pdfmetrics.getFont(name).face.charToGlyph))
    return glyphs[0] & glyphs[1]


class _Drawing:
    """Blocks as reportlab's flowing parts, for one width in points."""

    def __init__(self, text: _Text, width: float) -> None:
        from reportlab.lib.styles import ParagraphStyle

        self._text = text
        self._width = width
        base = ParagraphStyle("base", fontName=_FONT, fontSize=9, leading=12, splitLongWords=1)
        self._styles = {
            "title": ParagraphStyle("title", base, fontName=_BOLD, fontSize=15, leading=19),
            "heading": ParagraphStyle(
                "heading", base, fontName=_BOLD, fontSize=10.5, leading=14, spaceBefore=10, spaceAfter=4
            ),
            "text": ParagraphStyle("text", base, spaceBefore=5, spaceAfter=3),
            "subtitle": ParagraphStyle("subtitle", base, spaceBefore=2, spaceAfter=10),
            "strong": ParagraphStyle("strong", base, fontName=_BOLD, spaceBefore=5, spaceAfter=3),
            "cell": ParagraphStyle("cell", base, fontSize=7.5, leading=9.5),
            "head": ParagraphStyle("head", base, fontName=_BOLD, fontSize=7.5, leading=9.5),
            "fact": ParagraphStyle("fact", base, fontSize=8.5, leading=11),
            "tick": ParagraphStyle("tick", base, fontSize=15, leading=19),
        }

    def title(self, text: str) -> Any:
        return self._flow(text, "title")

    def subtitle(self, text: str) -> Any:
        return self._flow(text, "subtitle")

    def block(self, block: Block) -> list[Any]:
        match block:
            case Heading(text):
                made = self._flow(text, "heading")
                made.keepWithNext = 1
                return [made]
            case Paragraph(text, strong):
                return [self._flow(text, "strong" if strong else "text")]
            case Facts():
                return [self._facts(block)]
            case Table():
                return self._tables(block)
            case SignLines():
                return [self._sign_lines(block)]
            case Tags():
                return self._tags(block)

    def _flow(self, text: str, style: str) -> Any:
        from reportlab.platypus import Paragraph as Flow

        return Flow(self._text.markup(text), self._styles[style])

    def _facts(self, facts: Facts) -> Any:
        from reportlab.lib.units import mm
        from reportlab.platypus import Table as Grid

        rows = [[self._flow(name, "fact"), self._flow(value, "fact")] for name, value in facts.rows]
        lines = [("LINEBELOW", (0, 0), (-1, -1), 0.4, _shade(0.7)), ("VALIGN", (0, 0), (-1, -1), "TOP"), *_PADDING]
        return Grid(rows, colWidths=[45 * mm, self._width - 45 * mm], style=lines, splitInRow=1)

    def _tables(self, table: Table) -> list[Any]:
        from reportlab.platypus import Table as Grid

        total = sum(share for _, share in table.columns)
        widths = [self._width * share / total for _, share in table.columns]
        head = [self._flow(name, "head") for name, _ in table.columns]
        style = [
            ("GRID", (0, 0), (-1, -1), 0.5, _shade(0.4)),
            ("BACKGROUND", (0, 0), (-1, 0), _shade(_GREY)),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            *_PADDING,
        ]
        made = []
        for start in range(0, len(table.rows), _ROWS_AT_ONCE):
            rows = [[self._cell(cell) for cell in row] for row in table.rows[start : start + _ROWS_AT_ONCE]]
            made.append(Grid([head, *rows], colWidths=widths, style=style, repeatRows=1, splitInRow=1))
        return made

    def _cell(self, text: str) -> Any:
        return self._flow(text, "tick" if text == TICK_BOX else "cell")

    def _sign_lines(self, lines: SignLines) -> Any:
        from reportlab.lib.units import mm
        from reportlab.platypus import Table as Grid

        gap = 6 * mm
        count = len(lines.labels)
        width = (self._width - gap * (count - 1)) / count
        cells: list[Any] = []
        style: list[tuple[Any, ...]] = [*_PADDING, ("LEFTPADDING", (0, 0), (-1, -1), 0)]
        for number, label in enumerate(lines.labels):
            cells += [self._flow(label, "cell"), ""]
            style.append(("LINEABOVE", (2 * number, 0), (2 * number, 0), 0.6, _shade(0)))
        widths = [width, gap] * count
        return Grid([cells[:-1]], colWidths=widths[:-1], style=style, spaceBefore=12 * mm, spaceAfter=4 * mm)

    def _tags(self, tags: Tags) -> list[Any]:
        from reportlab.lib.units import mm
        from reportlab.platypus import Table as Grid

        across = max(1, int(self._width // (tags.width_mm * mm)))
        cells = [_cut_out(tag, tags.width_mm * mm, tags.height_mm * mm, self._text.plain) for tag in tags.tags]
        rows = [cells[start : start + across] for start in range(0, len(cells), across)]
        rows = [row + [""] * (across - len(row)) for row in rows]
        flush = [(f"{side}PADDING", (0, 0), (-1, -1), 0) for side in ("LEFT", "RIGHT", "TOP", "BOTTOM")]
        return (
            [
                Grid(
                    rows,
                    colWidths=[tags.width_mm * mm] * across,
                    rowHeights=[tags.height_mm * mm] * len(rows),
                    style=flush,
                    hAlign="LEFT",
                )
            ]
            if rows
            else []
        )


_PADDING: list[tuple[Any, ...]] = [
    ("LEFTPADDING", (0, 0), (-1, -1), 3),
    ("RIGHTPADDING", (0, 0), (-1, -1), 3),
    ("TOPPADDING", (0, 0), (-1, -1), 2),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
]


def _shade(level: float) -> Any:
    from reportlab.lib.colors import Color

    return Color(level, level, level)


def _cut_out(tag: Tag, width: float, height: float, plain: Callable[[str], str]) -> Any:
    """Return one tag as a thing of fixed size: text at the left, made as small as it must be, its QR at the right."""
    from reportlab.graphics.shapes import Drawing, Line, Rect, String
    from reportlab.lib.units import mm
    from reportlab.pdfbase.pdfmetrics import stringWidth

    drawing = Drawing(width, height)
    drawing.add(
        Rect(0, 0, width, height, fillColor=None, strokeColor=_shade(0.5), strokeWidth=0.4, strokeDashArray=[2, 2])
    )
    inset = 2.2 * mm
    side = min(23 * mm, height - 2 * inset)
    _draw_code(drawing, tag.qr, left=width - inset - side, bottom=height - inset - side, side=side)
    room = width - 2 * inset - side - 1.5 * mm
    top = height - inset

    def line(text: str, size: float, *, font: str = _FONT, most: float = room) -> None:
        nonlocal top
        text = plain(text)
        while size > _SMALLEST and stringWidth(text, font, size) > most:
            size -= 0.25
        while len(text) > 1 and stringWidth(text, font, size) > most:
            text = text[:-2].rstrip() + "\u2026"
        top -= size * 1.22
        drawing.add(String(inset, top, text, fontName=font, fontSize=size))

    line(tag.title, 15, font=_BOLD)
    line(tag.subtitle, 8)
    kept_free = inset + (5 * mm if tag.ticks else 0) + (3 * mm if tag.note else 0)
    largest = min(8.0, (top - kept_free) / (1.22 * max(1, len(tag.lines))))
    for text in tag.lines:
        # What stands below the code may run under it.
        line(text, largest, most=room if top > height - inset - side else width - 2 * inset)
    if tag.note:
        drawing.add(String(inset, inset + (5 * mm if tag.ticks else 0), plain(tag.note), fontName=_BOLD, fontSize=6.5))
    left = inset
    for tick in tag.ticks:
        drawing.add(Rect(left, inset, 2.8 * mm, 2.8 * mm, fillColor=None, strokeColor=_shade(0), strokeWidth=0.7))
        left += 3.8 * mm
        drawing.add(String(left, inset + 0.4 * mm, plain(tick), fontName=_FONT, fontSize=7.5))
        end = left + stringWidth(plain(tick), _FONT, 7.5) + 1 * mm
        drawing.add(Line(end, inset, end + 4 * mm, inset, strokeColor=_shade(0.6), strokeWidth=0.4))
        left = end + 6 * mm
    return drawing


def _draw_code(drawing: Any, text: str, *, left: float, bottom: float, side: float) -> None:
    from reportlab.graphics.shapes import Rect

    code = qr.modules(text)
    module = side / (len(code) + 2 * qr.QUIET)
    for row, column, length in qr.runs(code):
        x = left + (column + qr.QUIET) * module
        y = bottom + side - (row + qr.QUIET + 1) * module
        drawing.add(Rect(x, y, length * module, module, fillColor=_shade(0), strokeColor=None, strokeWidth=0))


def _numbered(foot: str) -> Any:
    """Return a canvas that writes a document's foot and `page N of M` on each page, once it knows M."""
    from reportlab.lib.units import mm
    from reportlab.pdfgen.canvas import Canvas

    class Numbered(Canvas):  # type: ignore[misc]  # reportlab says nothing of types
        def __init__(self, *arguments: Any, **options: Any) -> None:
            super().__init__(*arguments, **options)
            self._pages: list[dict[str, Any]] = []

        def showPage(self) -> None:  # noqa: N802 - reportlab's name
            self._pages.append(dict(self.__dict__))
            self._startPage()

        def save(self) -> None:
            for number, page in enumerate(self._pages, start=1):
                self.__dict__.update(page)
                self.setFont(_FONT, 7.5)
                bottom = 10 * mm
                self.drawString(_MARGIN_MM * mm + _FRAME_POINTS, bottom, foot)
                self.drawRightString(
                    self._pagesize[0] - _MARGIN_MM * mm - _FRAME_POINTS, bottom, f"page {number} of {len(self._pages)}"
                )
                Canvas.showPage(self)
            Canvas.save(self)

    return Numbered
