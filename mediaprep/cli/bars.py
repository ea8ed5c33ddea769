"""Progress drawn on a terminal with rich. Imported only when there is a terminal to draw on."""

from __future__ import annotations

from rich.console import Console
from rich.progress import BarColumn, DownloadColumn, TaskID, TextColumn, TimeRemainingColumn, TransferSpeedColumn
from rich.progress import Progress as RichProgress

from mediaprep.progress import Phase, Progress

_TITLES = {
    Phase.CHECK: "Checking",
    Phase.COPY: "Writing (on the card)",
    Phase.FLUSH: "Flushing to the card",
    Phase.READBACK: "Reading back",
    Phase.RECORD: "Recording",
}


class Bars:
    """One bar for each phase, on stderr."""

    def __init__(self) -> None:
        self._live = RichProgress(
            TextColumn("  {task.description:<22}"),
            BarColumn(bar_width=None),
            DownloadColumn(),
            TransferSpeedColumn(),
            TimeRemainingColumn(),
            console=Console(stderr=True),
        )
        self._tasks: dict[Phase, TaskID] = {}
        self._live.start()

    def show(self, progress: Progress) -> None:
        """Move the phase's bar. Phases without bytes have none."""
        if progress.bytes_total == 0:
            return
        if progress.phase not in self._tasks:
            self._tasks[progress.phase] = self._live.add_task(_TITLES[progress.phase], total=progress.bytes_total)
        task = self._tasks[progress.phase]
        self._live.update(task, completed=progress.bytes_done, total=progress.bytes_total)

    def close(self) -> None:
        """Leave the bars as they stand and give the terminal back."""
        self._live.stop()
