"""Which cluster belongs to which file: a cluster that is claimed twice is a loop or a cross-link."""

from __future__ import annotations

from bisect import bisect_right


class Claims:
    """Clusters taken so far, kept as stretches: a large file in one piece takes no more room than a small one."""

    def __init__(self) -> None:
        self._starts: list[int] = []
        self._ends: list[int] = []
        self._owners: list[str] = []

    def take(self, first: int, count: int, owner: str) -> tuple[int, str] | None:
        """Take clusters for a file; return (cluster, owner) of the first that is taken already, and take none then."""
        before = bisect_right(self._starts, first) - 1
        if before >= 0 and self._ends[before] > first:
            return first, self._owners[before]
        after = before + 1
        if after < len(self._starts) and self._starts[after] < first + count:
            return self._starts[after], self._owners[after]
        if before >= 0 and self._ends[before] == first and self._owners[before] == owner:
            self._ends[before] = first + count
        else:
            self._starts.insert(after, first)
            self._ends.insert(after, first + count)
            self._owners.insert(after, owner)
        return None
