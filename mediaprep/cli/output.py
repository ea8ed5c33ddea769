"""What the command line prints: text for people or JSON lines for machines, never both.

With `--json`, stdout carries only JSON lines: `progress`, `finding`, and exactly one `result`, last. For people the
result goes to stdout and progress to stderr, drawn only on a terminal. A word always goes with a colour.
"""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import click

from mediaprep.errors import MediaPrepError
from mediaprep.model import Finding, Result
from mediaprep.progress import Progress
from mediaprep.wire import Json, error_to_wire, object_to_wire, to_wire

if TYPE_CHECKING:
    from mediaprep.cli.bars import Bars

WORDS = {
    Result.PASS: ("ok", "green"),
    Result.WARN: ("warning", "yellow"),
    Result.UNKNOWN: ("unknown", "magenta"),
    Result.REFUSE: ("REFUSED", "red"),
}


class Output:
    """One command's output. `json_lines` is set by the command's `--json`; a `silent` one says nothing at all."""

    def __init__(self, *, silent: bool = False) -> None:
        self.json_lines = False
        self.silent = silent
        self._bars: Bars | None = None

    def text(self, *lines: str) -> None:
        """Print lines for people; nothing with --json."""
        if not (self.json_lines or self.silent):
            for line in lines:
                click.echo(line)

    def paragraph(self, text: str) -> None:
        """Print a long sentence for people, wrapped."""
        if not (self.json_lines or self.silent):
            _wrapped(text, 0)

    def document(self, text: str) -> None:
        """Print a document as it is, its own line ends included; nothing with --json."""
        if not (self.json_lines or self.silent):
            click.echo(text, nl=False)

    def note(self, line: str) -> None:
        """Tell people something beside the result, on stderr; with --json too, since stdout is not touched."""
        click.echo(click.style("Note: ", fg="yellow", bold=True) + line, err=True)

    def heading(self, line: str) -> None:
        """Print a heading for people."""
        self.text("", click.style(line, bold=True))

    def table(self, columns: Sequence[str], rows: Iterable[Sequence[str]], *, empty: str) -> None:
        """Print a plain table with aligned columns, or the sentence `empty` where there is no row."""
        body = [tuple(row) for row in rows]
        if not body:
            self.text(empty)
            return
        widths = [max(len(cell) for cell in column) for column in zip(columns, *body, strict=True)]
        for number, row in enumerate([tuple(columns), *body]):
            line = "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
            self.text(click.style(line, bold=True) if number == 0 else line)

    def findings(self, findings: Sequence[Finding], *, everything: bool = False) -> None:
        """Print findings: what does not pass in full, what passes as a count unless `everything`."""
        if self.silent:
            return
        if self.json_lines:
            for finding in findings:
                self._line("finding", object_to_wire(finding))
            return
        passed = Counter(f.check.partition(".")[0] for f in findings if f.result is Result.PASS)
        order = [Result.REFUSE, Result.UNKNOWN, Result.WARN, Result.PASS]
        for finding in sorted(findings, key=lambda item: order.index(item.result)):
            if finding.result is Result.PASS and not everything:
                continue
            word, colour = WORDS[finding.result]
            label = click.style(word.ljust(8), fg=colour, bold=finding.result is Result.REFUSE)
            _wrapped(f"  {label} {click.style(finding.check, bold=True)}: {finding.subject}", 4)
            _wrapped(f"           {finding.evidence}", 11)
            if finding.remedy:
                _wrapped(f"           Way out: {finding.remedy}", 20)
        if passed and not everything:
            label = click.style("ok".ljust(8), fg="green")
            shares = ", ".join(f"{count} of the {subject}" for subject, count in passed.items())
            _wrapped(f"  {label} {passed.total()} findings: {shares}; 'mediaprep check --all' shows each", 11)

    def progress(self, progress: Progress) -> None:
        """Show progress: JSON lines, bars on a terminal, else nothing."""
        if self.json_lines:
            self._line("progress", object_to_wire(progress))
        elif sys.stderr.isatty() and not self.silent:
            if self._bars is None:
                from mediaprep.cli.bars import Bars

                self._bars = Bars()
            self._bars.show(progress)

    def end_progress(self) -> None:
        """Let the bars go, leaving the terminal as it was."""
        if self._bars is not None:
            self._bars.close()
            self._bars = None

    def result(self, **data: object) -> None:
        """End a command that did what it was asked to: the one `result` line; nothing for people."""
        if self.json_lines:
            body: dict[str, Json] = {"ok": True, "code": None, "exit_code": 0}
            self._line("result", body | {key: to_wire(value) for key, value in data.items()})

    def failure(self, error: MediaPrepError, **data: object) -> None:
        """End a command that failed: the one `result` line, or the error and its way out on stderr."""
        self.end_progress()
        if self.json_lines:
            body: dict[str, Json] = {"ok": False, **error_to_wire(error)}
            self._line("result", body | {key: to_wire(value) for key, value in data.items()})
        elif not self.silent:
            click.echo(click.style("Error: ", fg="red", bold=True) + str(error), err=True)
            click.echo(f"Way out: {error.remedy}", err=True)

    @staticmethod
    def _line(kind: str, body: dict[str, Json]) -> None:
        click.echo(json.dumps({"v": 1, "type": kind, **body}, ensure_ascii=False))


def line_width(*, elsewhere: int = 200) -> int:
    """Return how many columns a line may have: the terminal's, or `elsewhere` where the output goes to a file."""
    import shutil

    return max(60, shutil.get_terminal_size((elsewhere, 24)).columns)


def _wrapped(line: str, indent: int) -> None:
    """Print a line wrapped at the terminal's width (100 where there is none), continued with an indent."""
    import textwrap

    width = line_width(elsewhere=100)
    # Styles take no room on the screen: allow for their escape codes when wrapping.
    extra = len(line) - len(click.unstyle(line))
    click.echo(
        textwrap.fill(
            line, width + extra, subsequent_indent=" " * indent, break_on_hyphens=False, break_long_words=False
        )
    )
