"""Printouts in both forms, read back by programs that are not ours: pdftotext, zbar, and an HTML parser."""

from __future__ import annotations

import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pytest

from mediaprep.model import Load, LoadEvent, LoadState
from mediaprep.printing import content, pages, pdf
from mediaprep.printing.document import Document, Facts, Paragraph, Table, Tag, Tags
from tests.printing.builders import AIRCRAFT, ENDLESS, NOON, accepted, card, entries, head
from tests.records.builders import CYCLE, bundle, unit
from tests.tools import need, run


class Words(HTMLParser):
    """The text of a page, without its style."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: set[str] = set()
        self._in_style = False

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.tags.add(tag)
        self._in_style = tag == "style"

    def handle_endtag(self, tag: str) -> None:
        self._in_style = False

    def handle_data(self, data: str) -> None:
        if not self._in_style:
            self.words.append(data)


def page_text(document: Document, folder: Path) -> str:
    parser = Words()
    parser.feed(pages.render(document))
    return squeezed(" ".join(parser.words))


def pdf_text(document: Document, folder: Path) -> str:
    need("pdftotext")
    file = folder / "printout.pdf"
    file.write_bytes(pdf.render(document)[0])
    return squeezed(run("pdftotext", "-layout", file, "-"))


def squeezed(text: str) -> str:
    return re.sub(r"\s+", " ", text)


Reader = Callable[[Document, Path], str]
both_forms = pytest.mark.parametrize("read", [page_text, pdf_text], ids=["html", "pdf"])


def load(number: int, **changes: object) -> Load:
    made: dict[str, object] = {
        "number": number,
        "aircraft": "D-TEST",
        "unit": "NAV-1",
        "slot": None,
        "card": "C-001",
        "bundle": "nav-2607",
        "kind": "navigation",
        "validity": CYCLE,
        "receipt": "R-000012",
        "simulated": False,
        "events": (LoadEvent(LoadState.PREPARED, NOON),),
        **changes,
    }
    return Load(**made)  # type: ignore[arg-type]


# --- the logbook -----------------------------------------------------------------------------------------------------


@both_forms
def test_the_logbook_shows_every_entry_and_the_whole_head_digest(read: Reader, tmp_path: Path) -> None:
    book = entries(accepted(), {"kind": "corrected", "corrects": 1, "reason": "the slot was right"})
    text = read(content.logbook(AIRCRAFT, book, head=head(book), at=NOON), tmp_path)
    assert "Card logbook of D-TEST" in text
    assert "2 entries" in text
    assert "2026-07-01 12:01" in text
    assert "accepted: nav-2607 on card C-001 for unit NAV-1" in text
    assert "corrected: entry 1 (the slot was right)" in text
    assert book[-1].sha256 in text
    assert "This tracks dates, not legality" in text


@both_forms
def test_a_part_of_the_logbook_says_that_it_is_one(read: Reader, tmp_path: Path) -> None:
    book = entries(accepted(), accepted(), accepted())
    text = read(content.logbook(AIRCRAFT, book[1:2], head=head(book), at=NOON), tmp_path)
    assert "1 of 3 entries" in text
    assert "the chain of all 3 entries held" in text


@both_forms
def test_an_empty_logbook_can_be_printed(read: Reader, tmp_path: Path) -> None:
    text = read(content.logbook(AIRCRAFT, (), head=head(()), at=NOON), tmp_path)
    assert "The logbook is empty." in text
    assert "(no entry)" in text


def test_a_long_logbook_fills_numbered_pages_with_the_head_of_the_table_on_each(tmp_path: Path) -> None:
    need("pdftotext")
    book = entries(*[accepted(load=number) for number in range(300)])
    file = tmp_path / "long.pdf"
    file.write_bytes(pdf.render(content.logbook(AIRCRAFT, book, head=head(book), at=NOON))[0])
    sheets = run("pdftotext", "-layout", file, "-").split("\f")[:-1]
    assert len(sheets) > 5
    for number, sheet in enumerate(sheets[:-1], start=1):
        assert f"page {number} of {len(sheets)}" in sheet
        assert "Digest begins" in sheet
    for entry in book:
        assert sum(entry.sha256[:16] in sheet for sheet in sheets) == 1


# --- one entry -------------------------------------------------------------------------------------------------------


@both_forms
def test_an_entry_tells_what_the_unit_showed_and_the_hours(read: Reader, tmp_path: Path) -> None:
    (entry,) = entries(accepted(shown_until="2026-08-05", aircraft_hours="1234.5", reason="no message shown"))
    text = read(content.record_entry(AIRCRAFT, entry, at=NOON), tmp_path)
    for told in (
        "Card C-001 with nav-2607 was put in unit NAV-1, slot left, and the unit accepted it.",
        "The proof of its content is receipt R-000012.",
        "2026-08-05",
        "1234.5",
        "2026-08-06 09:01",
        "no message shown",
        "Licence or certificate number",
        entry.sha256,
        entry.previous_sha256,
    ):
        assert told in text


@pytest.mark.parametrize(
    ("body", "statement"),
    [
        (accepted(kind="installed", slot=None), "Card C-001 with nav-2607 was put in unit NAV-1."),
        (accepted(kind="rejected", reason="CARD ERR"), "the unit did not accept it: CARD ERR."),
        (accepted(kind="imported", receipt=None), "before these records began. Nothing was proven here."),
        ({"kind": "card-written", "card": "C-1", "bundles": [accepted(bundle="a"), accepted(bundle="b")]},
         "a; b was written to card C-1 and read back."),
        ({"kind": "retired", "card": "C-1", "reason": "worn"}, "As the entry says: retired."),
    ],
)  # fmt: skip
def test_each_kind_of_entry_has_its_statement(body: dict[str, object], statement: str, tmp_path: Path) -> None:
    (entry,) = entries(body)
    assert statement in page_text(content.record_entry(AIRCRAFT, entry, at=NOON), tmp_path)


def test_an_entry_without_hours_leaves_room_to_write_them(tmp_path: Path) -> None:
    (entry,) = entries(accepted())
    (facts,) = [
        block for block in content.record_entry(AIRCRAFT, entry, at=NOON).blocks[:2] if isinstance(block, Facts)
    ]
    assert ("Aircraft hours", "") in facts.rows


# --- labels and slips ------------------------------------------------------------------------------------------------


@both_forms
def test_a_label_names_card_unit_cycle_and_lapse_date(read: Reader, tmp_path: Path) -> None:
    text = read(content.labels([card()]), tmp_path)
    for told in ("C-001", "D-TEST/NAV-1", "navigation 2607", "until 2026-08-06"):
        assert told in text
    assert "SIMULATED" not in text
    assert "SIMULATED" in read(content.labels([card(simulated=True)]), tmp_path)


def test_a_label_gives_the_first_date_on_which_a_set_lapses(tmp_path: Path) -> None:
    endless = bundle("base", validity=ENDLESS)
    assert "until 2026-08-06" in page_text(content.labels([card(bundles=(endless, bundle()))]), tmp_path)
    assert "until does not lapse" not in page_text(content.labels([card(bundles=(endless,))]), tmp_path)


@both_forms
def test_a_slip_lists_every_set_with_boxes_to_tick(read: Reader, tmp_path: Path) -> None:
    text = read(content.slips([card(bundles=(bundle(), bundle("base", validity=ENDLESS)))]), tmp_path)
    for told in ("for D-TEST/NAV-1", "2026-07-09 to 2026-08-06", "base", "does not lapse", "receipt R-000012",
                 "put in", "accepted", "rejected", "Compare with the dates the unit shows."):  # fmt: skip
        assert told in text


@pytest.mark.parametrize(
    "opens", [None, "https://bench.example/cards/C-001", "http://127.0.0.1:8765/cards/A%20card%20of%20a%20long%20name"]
)
@pytest.mark.parametrize("make", [content.labels, content.slips], ids=["label", "slip"])
def test_a_decoder_reads_what_the_codes_hold(make: Callable[..., Document], opens: str | None, tmp_path: Path) -> None:
    """Outside check: zbar reads the codes off the printed page, at 200 dots an inch."""
    need("pdftoppm", "zbarimg")
    cards = [card("C-001", opens=opens), card("C-002", receipt="R-000013", opens=opens)]
    (tmp_path / "made.pdf").write_bytes(pdf.render(make(cards))[0])
    run("pdftoppm", "-r", "200", "-png", tmp_path / "made.pdf", tmp_path / "sheet")
    read = run("zbarimg", "-q", "--raw", "--nodbus", tmp_path / "sheet-1.png").split("\n")
    assert sorted(filter(None, read)) == sorted(one.qr for one in cards)
    assert opens is not None or "mediaprep card C-002 receipt R-000013" in read


def test_a_decoder_reads_the_code_of_a_page(tmp_path: Path) -> None:
    """Outside check: the code in the HTML form, drawn from the path of its SVG, is read by zbar."""
    need("zbarimg")
    page = pages.render(content.labels([card()]))
    size = int(re.search(r'viewBox="0 0 (\d+) ', page)[1])  # type: ignore[index]
    dark = {
        (int(x) + step, int(y))
        for x, y, length in re.findall(r"M(\d+) (\d+)h(\d+)v1", page)
        for step in range(int(length))
    }
    scale = 4
    picture = tmp_path / "code.pgm"
    pixels = "\n".join(
        " ".join("0" if (x // scale, y // scale) in dark else "255" for x in range(size * scale))
        for y in range(size * scale)
    )
    picture.write_text(f"P2\n{size * scale} {size * scale}\n255\n{pixels}\n")
    assert run("zbarimg", "-q", "--raw", "--nodbus", picture).strip() == "mediaprep card C-001 receipt R-000012"


# --- the packing sheet -----------------------------------------------------------------------------------------------


@both_forms
def test_the_packing_sheet_says_which_card_goes_where_and_what_stays(read: Reader, tmp_path: Path) -> None:
    units = [unit("NAV-1", position=1), unit("DISPLAY", position=0, slots=())]
    loads = [load(1), load(2, kind="obstacle", bundle="obst"), load(3, unit="DISPLAY", card="C-002", simulated=True)]
    text = read(content.packing(AIRCRAFT, loads, units, [("C-009", "unfit")], at=NOON), tmp_path)
    assert "2 cards" in text
    for told in (
        "C-001",
        "NAV-1",
        "left, right",
        "navigation 2607",
        "2026-07-09 to 2026-08-06",
        "Accepted",
        "Rejected",
    ):
        assert told in text
    assert "Card C-009: unfit." in text
    assert "simulated cards: not for flight" in text
    assert text.index("DISPLAY") < text.index("NAV-1"), "in the order of the panel"


@both_forms
def test_a_packing_sheet_with_nothing_to_carry_says_so(read: Reader, tmp_path: Path) -> None:
    text = read(content.packing(AIRCRAFT, [], [], [], at=NOON), tmp_path)
    assert "No card is waiting to be carried" in text


# --- whatever people write -------------------------------------------------------------------------------------------

WORLD = (
    "P\u0159\u00edli\u0161 \u017elu\u0165ou\u010dk\u00fd; \u0395\u03bb\u03bb\u03ac\u03b4\u03b1; "
    "\u041c\u043e\u0441\u043a\u0432\u0430; \u2192 \u20ac"
)


@both_forms
def test_letters_beyond_latin_1_are_printed(read: Reader, tmp_path: Path) -> None:
    document = Document("Words", "", (Paragraph(WORLD), Facts((("name", WORLD),)), Table((("a", 1),), ((WORLD,),))))
    assert read(document, tmp_path).count(WORLD) == 3


def test_signs_that_the_font_lacks_become_boxes_and_are_named(tmp_path: Path) -> None:
    made, missing = pdf.render(Document("Words", "\u4e2d\u6587 and text", (Paragraph("\U0001f6e9"),)))
    assert missing == {"\u4e2d", "\u6587", "\U0001f6e9"}
    (tmp_path / "made.pdf").write_bytes(made)
    need("pdftotext")
    assert "\u25a1\u25a1 and text" in run("pdftotext", tmp_path / "made.pdf", "-")


@both_forms
def test_markup_in_what_people_wrote_stays_text(read: Reader, tmp_path: Path) -> None:
    nasty = "<b>bold</b> & <script>alert(1)</script> \"quoted\" 'too'"
    tag = Tag(nasty, nasty, (nasty,), nasty, (nasty,), nasty)
    document = Document(
        nasty, nasty, (Paragraph(nasty), Table(((nasty, 1),), ((nasty,),)), Tags((tag,), 86, 54)), nasty
    )
    assert nasty in read(document, tmp_path)
    parser = Words()
    parser.feed(pages.render(document))
    assert not parser.tags & {"script", "i"}


@pytest.mark.parametrize("text", ["x" * 20_000, "word " * 5_000, "\x00\x07\u202e\n", ""])
def test_long_and_odd_texts_do_not_stop_a_printout(text: str) -> None:
    tag = Tag(text[:300], text[:300], (text[:300],) * 30, "q", (text[:10],), text[:300])
    blocks = (Paragraph(text), Facts(((text[:100], text),)), Table((("a", 1), ("b", 3)), ((text, text),)))
    made, _ = pdf.render(Document(text[:100], text, (*blocks, Tags((tag,) * 12, 58, 30)), text[:100]))
    assert made.startswith(b"%PDF")
    assert pages.render(Document(text, text, blocks, text)).endswith("</html>\n")


def test_the_same_printout_is_the_same_to_the_byte() -> None:
    book = entries(accepted())
    document = content.logbook(AIRCRAFT, book, head=head(book), at=NOON)
    assert pdf.render(document) == pdf.render(document)
    assert pages.render(document) == pages.render(document)


def test_paper_is_a4_or_letter(tmp_path: Path) -> None:
    need("pdfinfo")
    for letter, size in ((False, "595.276 x 841.89"), (True, "612 x 792")):
        file = tmp_path / f"{letter}.pdf"
        file.write_bytes(pdf.render(content.slips([card()]), letter=letter)[0])
        assert size in run("pdfinfo", file)
        assert f"size: {'letter' if letter else 'A4'} portrait" in pages.render(content.slips([card()]), letter=letter)
