"""`--svg FILE`: the panel as a picture in a file."""

from __future__ import annotations

from datetime import UTC, date, timedelta

from mediaprep.cli.desk import existing_path
from mediaprep.cli.ourfiles import write_again
from mediaprep.model import PanelStatus, VisitPlan

# What `status` shows; a plan shows as far as it reaches.
DAYS_AHEAD = 182
# Stands near the beginning of each of our pictures.
_MARK = 'id="mp-title"'


def save_picture(file: str, panel: PanelStatus, plan: VisitPlan | None = None) -> str:
    """Write the picture of a panel, in the place of an earlier one, and return its path. Raise OutputFailed."""
    from mediaprep.drawing import timeline_svg

    path = existing_path(file)
    write_again(path, timeline_svg(panel, _last_day(panel, plan), plan), _MARK)
    return str(path)


def _last_day(panel: PanelStatus, plan: VisitPlan | None) -> date:
    return plan.until if plan is not None else panel.at.astimezone(UTC).date() + timedelta(days=DAYS_AHEAD)
