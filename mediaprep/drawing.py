"""A panel over the months to come as an SVG picture that stands by itself, in light and dark.

Nothing is told by colour alone: every row ends in words, a set loaded ahead is striped, a time that nothing covers is
an empty line. Title and description say the same for those who cannot see it. Names are cut where they are too long for
their place; the description and the tip over the row have them whole.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from xml.sax.saxutils import escape

from mediaprep.cautions import CAUTION
from mediaprep.model import Currency, KindStatus, Load, LoadWindow, PanelStatus, Validity, Visit, VisitPlan

# For a page that puts the picture into itself and allows styles by their digest.
STYLE = """
.paper { fill: #ffffff } .ink { fill: #1b1f24 } .faint { fill: #57606a }
.rule { stroke: #d5dae0 } .base { stroke: #8b949e } .now { stroke: #1b1f24 } .visit { stroke: #2f66a8 }
.good { fill: #1a7f4b } .soon { fill: #8a5a00 } .bad { fill: #c5221f } .ahead { fill: #2f66a8 } .open { fill: #7a45b5 }
.stripe { stroke: #2f66a8 } .mark { fill: #2f66a8; stroke: #ffffff } .onmark { fill: #ffffff }
@media (prefers-color-scheme: dark) {
.paper { fill: #14181d } .ink { fill: #e8ecf0 } .faint { fill: #a3afbb }
.rule { stroke: #333c46 } .base { stroke: #6b7785 } .now { stroke: #e8ecf0 } .visit { stroke: #7fb2f0 }
.good { fill: #4cc38a } .soon { fill: #e0a83a } .bad { fill: #ff8a80 } .ahead { fill: #7fb2f0 } .open { fill: #c39bf0 }
.stripe { stroke: #7fb2f0 } .mark { fill: #7fb2f0; stroke: #14181d } .onmark { fill: #14181d }
}
"""

DAYS_BACK = 14
_SMALL = 'font-size="11.5"'
_WIDTH, _LEFT, _RIGHT = 1080, 206, 826
_TOP, _ROW, _BAR = 84, 42, 14
_CLASS = {
    Currency.NOTHING_LOADED: "open",
    Currency.UNKNOWN: "open",
    Currency.NOT_YET: "ahead",
    Currency.CURRENT: "good",
    Currency.NO_EXPIRY: "good",
    Currency.LAPSES_SOON: "soon",
    Currency.LAPSED: "bad",
}


def timeline_svg(panel: PanelStatus, until: date, plan: VisitPlan | None = None) -> str:
    """Return the picture of a panel from two weeks before its instant until a day, with the visits of a plan if given.

    Raise ValueError where the day is not after that instant.
    """
    if until <= panel.at.astimezone(UTC).date():
        message = f"{until} is not after {panel.at}"
        raise ValueError(message)
    return "\n".join(_Picture(panel, until, plan.visits if plan else ()).lines()) + "\n"


def describe(status: KindStatus) -> str:
    """Return a kind's status in words."""
    words = status.currency.value
    if status.currency is Currency.NOT_YET and status.load is not None and status.load.validity.effective_at:
        return f"{words}, from {status.load.validity.effective_at:%Y-%m-%d}"
    if status.lapses_at is None:
        return words
    if status.currency in {Currency.LAPSED, Currency.LAPSES_SOON}:
        return f"{words}, {status.lapses_at:%Y-%m-%d}"
    return f"{words} until {status.lapses_at:%Y-%m-%d}"


class _Picture:
    """One picture: where things go, and the elements in the order in which they are painted."""

    def __init__(self, panel: PanelStatus, until: date, visits: tuple[Visit, ...]) -> None:
        self._panel, self._visits = panel, visits
        self._start = panel.at - timedelta(days=DAYS_BACK)
        self._end = _midnight(until + timedelta(days=1))
        self._bottom = _TOP + _ROW * max(len(panel.kinds), 1)
        self._height = self._bottom + (96 if visits else 62)

    def lines(self) -> Iterator[str]:
        """Yield the document's lines."""
        title = f"Panel of {self._panel.aircraft}, {self._panel.at:%Y-%m-%d} to {self._last_day}"
        yield (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{_WIDTH}" height="{self._height}" '
            f'viewBox="0 0 {_WIDTH} {self._height}" role="img" aria-labelledby="mp-title mp-desc" '
            'font-family="system-ui, sans-serif" font-size="13">'
        )
        yield f'<title id="mp-title">{escape(title)}</title>'
        yield f'<desc id="mp-desc">{escape(" ".join(self._told()))}</desc>'
        yield f"<style>{STYLE}</style>"
        yield (
            '<defs><pattern id="mp-stripes" width="6" height="6" patternUnits="userSpaceOnUse" '
            'patternTransform="rotate(45)"><line class="stripe" x1="0" y1="0" x2="0" y2="6" stroke-width="5"/>'
            "</pattern></defs>"
        )
        yield f'<rect class="paper" width="{_WIDTH}" height="{self._height}"/>'
        yield _text(16, 28, _cut(title, 90), "ink", 'font-size="17" font-weight="600"')
        yield from self._axis()
        if not self._panel.kinds:
            yield _text(16, _TOP + 24, "No unit yet.", "faint")
        for number, status in enumerate(self._panel.kinds):
            yield from self._row(status, _TOP + _ROW * number)
        yield from self._visit_lines()
        yield from self._foot()
        yield "</svg>"

    @property
    def _last_day(self) -> date:
        return (self._end - timedelta(days=1)).date()

    def _told(self) -> Iterator[str]:
        """Yield the sentences of the description."""
        for status in self._panel.kinds:
            held = f" {_cycle(status.load)}" if status.load is not None else ""
            yield f"{status.unit}, {status.kind}{held}: {describe(status)}."
        for number, visit in enumerate(self._visits, start=1):
            loads = ", ".join(f"{one.unit} {_set_name(one)}" for one in visit.windows)
            yield f"Visit {number}, from {visit.first_day} to {visit.last_day}: {loads}."
        yield CAUTION

    def _x(self, instant: datetime) -> float:
        share = (min(max(instant, self._start), self._end) - self._start) / (self._end - self._start)
        return round(_LEFT + share * (_RIGHT - _LEFT), 1)

    def _axis(self) -> Iterator[str]:
        month = _midnight(self._start.astimezone(UTC).date().replace(day=1))
        while (month := _next_month(month)) < self._end:
            x = self._x(month)
            yield _line((x, _TOP - 16), (x, self._bottom), "rule")
            if _RIGHT - x > 26:
                yield _text(x + 4, _TOP - 8, f"{month:%Y}" if month.month == 1 else f"{month:%b}", "faint", _SMALL)
        now = self._x(self._panel.at)
        yield _line((now, _TOP - 22), (now, self._bottom), "now")
        yield _text(now, _TOP - 27, f"{self._panel.at:%Y-%m-%d}", "ink", f'text-anchor="middle" {_SMALL}')

    def _row(self, status: KindStatus, top: int) -> Iterator[str]:
        middle = top + _ROW // 2
        held = f", {_cycle(status.load)}" if status.load is not None else ""
        words, colour = describe(status), _CLASS[status.currency]
        yield f"<g><title>{escape(f'{status.unit}: {status.kind}{held}: {words}')}</title>"
        yield _text(16, middle - 3, _cut(status.unit, 25), "ink", 'font-weight="600"')
        yield _text(16, middle + 13, _cut(f"{status.kind}{held}", 29), "faint", _SMALL)
        yield _line((_LEFT, middle), (_RIGHT, middle), "base", 'stroke-dasharray="1 4"')
        for load, paint in (
            (status.load, f'class="{colour}"'),
            (status.next_load, 'fill="url(#mp-stripes)"'),
        ):
            if load is not None:
                yield from self._period(load.validity, middle, paint)
        yield _text(_RIGHT + 14, middle + 5, _cut(words, 34), colour)
        yield "</g>"

    def _period(self, validity: Validity, middle: int, paint: str) -> Iterator[str]:
        left = self._x(validity.effective_at or self._start)
        right = self._x(validity.lapses_at or self._end)
        if right > left:
            size = f'width="{round(right - left, 1)}" height="{_BAR}" rx="3"'
            yield f'<rect {paint} x="{left}" y="{middle - _BAR // 2}" {size}/>'

    def _visit_lines(self) -> Iterator[str]:
        rows = {(one.unit, one.kind): number for number, one in enumerate(self._panel.kinds)}
        labelled_until = 0.0
        for number, visit in enumerate(self._visits, start=1):
            x = self._x(_midnight(visit.last_day) + timedelta(hours=12))
            yield _line((x, _TOP), (x, self._bottom + 4), "visit", 'stroke-dasharray="3 3"')
            for place in sorted({rows[one.unit, one.kind] for one in visit.windows}):
                y = _TOP + _ROW * place + _ROW // 2
                yield f'<path class="mark" d="M{x} {y - 6}l6 6l-6 6l-6 -6z"/>'
            if x < labelled_until:
                continue
            labelled_until = x + 38
            yield f'<circle class="mark" cx="{x}" cy="{self._bottom + 14}" r="10"/>'
            yield _text(x, self._bottom + 18, str(number), "onmark", f'text-anchor="middle" {_SMALL} font-weight="600"')
            yield _text(x, self._bottom + 37, f"{visit.last_day:%m-%d}", "faint", f'text-anchor="middle" {_SMALL}')

    def _foot(self) -> Iterator[str]:
        marks = "Solid: loaded. Striped: loaded ahead. Dotted: nothing covers it."
        if self._visits:
            marks += " Numbered: visits, at the last day for them; a diamond loads the next set."
        yield _text(16, self._height - 32, marks, "faint", _SMALL)
        yield _text(16, self._height - 14, CAUTION, "faint", _SMALL)


def _text(x: float, y: float, text: str, colour: str, more: str = "") -> str:
    return f'<text class="{colour}" x="{x}" y="{y}" {more}'.rstrip() + f">{escape(text)}</text>"


def _line(start: tuple[float, float], end: tuple[float, float], colour: str, more: str = "") -> str:
    ends = f'x1="{start[0]}" y1="{start[1]}" x2="{end[0]}" y2="{end[1]}"'
    return f'<line class="{colour}" {ends} {more}'.rstrip() + "/>"


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"


def _cycle(load: Load) -> str:
    return load.validity.cycle or load.bundle


def _set_name(window: LoadWindow) -> str:
    cycle = window.validity.cycle if window.validity is not None else None
    return f"{window.kind} {cycle}" if cycle else window.kind


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time(), UTC)


def _next_month(month: datetime) -> datetime:
    return (month + timedelta(days=32)).replace(day=1)
