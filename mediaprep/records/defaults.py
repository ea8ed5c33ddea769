"""What a new database holds: data kinds, media rules and a reminder rule as examples, for the owner to change."""

from __future__ import annotations

from mediaprep.model import CycleRule, CycleScheme, DataKind, Family, FileSystem, MediaRule, ReminderRule

_GIGABYTE = 10**9
_NO_SOURCE = "example, common practice, no source: enter what your unit's manual says"


def _kind(name: str, title: str, scheme: CycleScheme, *, is_software: bool = False) -> DataKind:
    return DataKind(name, f"{title} (example)", CycleRule(scheme), is_software)


# Common practice, no source: which scheme a set follows, and at what hour, is for its publisher to say.
DATA_KINDS = (
    _kind("navigation", "Navigation", CycleScheme.AIRAC_28),
    _kind("obstacle", "Obstacles", CycleScheme.GRID_56),
    _kind("airport-directory", "Airport directory", CycleScheme.AIRAC_28),
    _kind("charts", "Charts", CycleScheme.AIRAC_28),
    _kind("terrain", "Terrain", CycleScheme.DATES),
    _kind("base-map", "Base map", CycleScheme.NONE),
    _kind("unit-software", "Unit software", CycleScheme.NONE, is_software=True),
)

# Sizes are as printed on cards; a card holds somewhat less or more than its print says, hence the margins of 5 %.
MEDIA_RULES = (
    MediaRule(
        name="example-small-card",
        source=_NO_SOURCE,
        capacity_bytes_min=19 * _GIGABYTE // 10,
        capacity_bytes_max=84 * _GIGABYTE // 10,
        families=(Family.SDSC, Family.SDHC),
        file_systems=(FileSystem.FAT16, FileSystem.FAT32),
    ),
    MediaRule(
        name="example-up-to-32-gb",
        source=_NO_SOURCE,
        capacity_bytes_max=336 * _GIGABYTE // 10,
        families=(Family.SDSC, Family.SDHC),
        file_systems=(FileSystem.FAT32,),
    ),
    MediaRule(name="example-any-card", source=_NO_SOURCE),
)

# Common practice, no source: how early it takes to get a set and fly out to the aircraft is for the owner to say.
REMINDER_RULES = (ReminderRule("default", days_before=(14, 7, 3, 1)),)
