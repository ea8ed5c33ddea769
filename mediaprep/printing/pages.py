"""A document as one HTML page that prints well from any browser: no script, nothing fetched, colours for paper."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape

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

_STYLE = """
@page { size: %(size)s; margin: 14mm; }
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { font: 10pt/1.35 "DejaVu Sans", Verdana, sans-serif; color: #000; background: #fff; margin: 0 auto;
  max-width: %(width)s; padding: 14mm; }
h1 { font-size: 16pt; margin: 0; }
h2 { font-size: 11pt; margin: 6mm 0 2mm; break-after: avoid; }
p { margin: 2mm 0; }
p.subtitle { margin: 0 0 5mm; color: #333; }
p.strong { border-left: 1.2mm solid #000; padding-left: 2mm; font-weight: bold; }
table { border-collapse: collapse; width: 100%%; table-layout: fixed; font-size: 8.5pt; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
th, td { border: 0.25mm solid #555; padding: 1mm 1.5mm; text-align: left; vertical-align: top;
  overflow-wrap: anywhere; }
th { background: #e6e6e6; }
dl { display: grid; grid-template-columns: 45mm 1fr; margin: 0; }
dt, dd { margin: 0; padding: 0.8mm 0; border-bottom: 0.15mm solid #bbb; min-height: 5.5mm; overflow-wrap: anywhere; }
dt { color: #333; }
.sign { display: flex; gap: 6mm; margin: 12mm 0 5mm; break-inside: avoid; }
.sign span { flex: 1; border-top: 0.25mm solid #000; padding-top: 0.8mm; font-size: 8pt; }
.tags { display: flex; flex-wrap: wrap; }
.tag { border: 0.15mm dashed #777; padding: 2mm; display: flex; gap: 2mm; overflow: hidden; break-inside: avoid; }
.tag > div { flex: 1; min-width: 0; overflow-wrap: anywhere; font-size: 8pt; line-height: 1.2;
  display: flex; flex-direction: column; }
.tag b { font-size: 13pt; line-height: 1.1; display: block; }
.tag .line { white-space: pre-wrap; }
.tag .low { margin-top: auto; }
.tag .note { font-weight: bold; }
td.tick { font-size: 15pt; line-height: 1; }
.tag svg { flex: none; align-self: flex-start; }
.ticks span { margin-right: 2.5mm; white-space: nowrap; }
footer { margin-top: 8mm; font-size: 8pt; color: #333; }
@media print { body { padding: 0; max-width: none; } }
"""


def render(document: Document, *, letter: bool = False) -> str:
    """Return a document as a whole HTML page, for A4 or US letter paper."""
    paper = "letter" if letter else "A4"
    style = _STYLE % {
        "size": f"{paper} {'landscape' if document.wide else 'portrait'}",
        "width": "297mm" if document.wide else "210mm",
    }
    body = "\n".join(part for block in document.blocks for part in _block(block))
    foot = f"<footer>{escape(document.foot)}</footer>" if document.foot else ""
    return (
        f'<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n<title>{escape(document.title)}</title>\n'
        f"<style>{style}</style>\n</head>\n<body>\n<h1>{escape(document.title)}</h1>\n"
        f'<p class="subtitle">{escape(document.subtitle)}</p>\n{body}\n{foot}\n</body>\n</html>\n'
    )


def _block(block: Block) -> Iterator[str]:
    match block:
        case Heading(text):
            yield f"<h2>{escape(text)}</h2>"
        case Paragraph(text, strong):
            yield f'<p class="strong">{escape(text)}</p>' if strong else f"<p>{escape(text)}</p>"
        case Facts(rows):
            pairs = "".join(f"<dt>{escape(name)}</dt><dd>{escape(value)}</dd>" for name, value in rows)
            yield f"<dl>{pairs}</dl>"
        case Table():
            yield from _table(block)
        case SignLines(labels):
            yield '<div class="sign">' + "".join(f"<span>{escape(label)}</span>" for label in labels) + "</div>"
        case Tags(tags, width_mm, height_mm):
            yield '<div class="tags">'
            for tag in tags:
                yield _tag(tag, width_mm, height_mm)
            yield "</div>"


def _table(table: Table) -> Iterator[str]:
    total = sum(share for _, share in table.columns)
    yield "<table>"
    yield "".join(f'<col style="width:{100 * share / total:.2f}%">' for _, share in table.columns)
    yield "<thead><tr>" + "".join(f"<th>{escape(name)}</th>" for name, _ in table.columns) + "</tr></thead>"
    yield "<tbody>"
    for row in table.rows:
        yield "<tr>" + "".join(map(_cell, row)) + "</tr>"
    yield "</tbody></table>"


def _cell(text: str) -> str:
    return f'<td class="tick">{text}</td>' if text == TICK_BOX else f"<td>{escape(text)}</td>"


def _tag(tag: Tag, width_mm: float, height_mm: float) -> str:
    lines = "".join(f'<div class="line">{escape(line)}</div>' for line in tag.lines)
    boxes = "".join(f"<span>{TICK_BOX} {escape(tick)}</span>" for tick in tag.ticks)
    ticks = f'<div class="ticks">{boxes}</div>' if boxes else ""
    note = f'<div class="note">{escape(tag.note)}</div>' if tag.note else ""
    return (
        f'<div class="tag" style="width:{width_mm}mm;height:{height_mm}mm"><div><b>{escape(tag.title)}</b>'
        f"<div>{escape(tag.subtitle)}</div>{lines}"
        f'<div class="low">{note}{ticks}</div></div>'
        f"{_picture(tag.qr, min(22.0, height_mm - 6))}</div>"
    )


def _picture(text: str, side_mm: float) -> str:
    code = qr.modules(text)
    size = len(code) + 2 * qr.QUIET
    path = "".join(
        f"M{column + qr.QUIET} {row + qr.QUIET}h{length}v1h-{length}z" for row, column, length in qr.runs(code)
    )
    return (
        f'<svg width="{side_mm}mm" height="{side_mm}mm" viewBox="0 0 {size} {size}" role="img" '
        f'aria-label="QR code: {escape(text, quote=True)}" shape-rendering="crispEdges">'
        f'<path fill="#fff" d="M0 0h{size}v{size}H0z"/><path d="{path}"/></svg>'
    )
