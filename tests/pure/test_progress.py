"""The throttle: at most ten reports a second, and never without the last one."""

from collections.abc import Iterable
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from mediaprep.progress import Phase, Progress, Throttle


class Clock:
    """Seconds that a test sets."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


def copied(files: int, phase: Phase = Phase.COPY, files_total: int = 10) -> Progress:
    return Progress(phase, files, files_total, files * 1000, files_total * 1000, f"nav/{files}")


def passed_on(reports: Iterable[tuple[float, Progress]], *, close: bool = True) -> list[tuple[float, Progress]]:
    """What comes through when each report is made so many seconds after the one before, and when (from 0 s on)."""
    clock, seen = Clock(), []
    throttle = Throttle(lambda progress: seen.append((round(clock.now_s - 100, 6), progress)), clock)
    for passed_s, progress in reports:
        clock.now_s += passed_s
        throttle(progress)
    if close:
        throttle.close()
    return seen


def files_of(seen: list[tuple[float, Progress]]) -> list[int]:
    return [progress.files_done for _, progress in seen]


def test_reports_within_a_tenth_of_a_second_are_kept_back() -> None:
    reports = [(0.04, copied(number)) for number in range(8)]
    assert files_of(passed_on(reports, close=False)) == [0, 3, 6]


def test_a_report_is_due_when_a_whole_tenth_of_a_second_has_passed() -> None:
    clock, seen = Clock(), []
    clock.now_s = 0.0
    throttle = Throttle(seen.append, clock)
    for clock.now_s in (0.0, 0.0999, 0.1):
        throttle(copied(len(seen)))
    assert files_of([(0, progress) for progress in seen]) == [0, 1]


def test_closing_passes_on_the_last_report_that_was_kept_back_and_only_once() -> None:
    clock, seen = Clock(), []
    throttle = Throttle(seen.append, clock)
    for files in range(4):
        throttle(copied(files))
    throttle.close()
    throttle.close()
    assert seen == [copied(0), copied(3)]


def test_closing_repeats_nothing_that_was_passed_on() -> None:
    assert files_of(passed_on([(0, copied(0)), (0.01, copied(1)), (0.1, copied(2))])) == [0, 2]
    assert passed_on([]) == []


def test_the_first_report_of_each_phase_comes_at_once_after_the_last_of_the_one_before() -> None:
    reports = [
        (0, copied(0)),
        (0, copied(1)),
        (0, copied(2)),
        (0, copied(0, Phase.FLUSH, 0)),
        (0, copied(0, Phase.READBACK)),
    ]
    assert [progress for _, progress in passed_on(reports)] == [
        copied(0), copied(2), copied(0, Phase.FLUSH, 0), copied(0, Phase.READBACK),
    ]  # fmt: skip


def test_a_complete_report_comes_at_once_but_its_repetitions_wait() -> None:
    reports = [(0, copied(9)), (0.01, copied(10)), (0.01, copied(10)), (0.01, copied(10))]
    assert passed_on(reports, close=False) == [(0, copied(9)), (0.01, copied(10))]


def test_files_or_bytes_alone_do_not_make_a_phase_complete() -> None:
    for files, size in ((10, 9_999), (9, 10_000)):
        assert not Progress(Phase.COPY, files, 10, size, 10_000).complete
    assert copied(10).complete


def test_after_closing_the_next_report_counts_as_a_first_one() -> None:
    clock, seen = Clock(), []
    throttle = Throttle(seen.append, clock)
    throttle(copied(0))
    throttle.close()
    throttle(copied(1))
    assert seen == [copied(0), copied(1)]


gaps = st.sampled_from([0.0, 0.001, 0.03, 0.0999, 0.1, 0.5])
steps = st.lists(st.tuples(gaps, st.builds(copied, st.integers(0, 10), st.sampled_from(Phase))), max_size=40)


@given(steps)
def test_whatever_comes_the_ends_of_every_phase_get_through_and_no_more_than_ten_a_second(
    reports: list[tuple[float, Progress]],
) -> None:
    seen = passed_on(reports)
    made = [progress for _, progress in reports]
    for index, progress in enumerate(made):
        first = index == 0 or made[index - 1].phase is not progress.phase
        last = index == len(made) - 1 or made[index + 1].phase is not progress.phase
        if first or last:
            assert progress in [one for _, one in seen]
    # In order, nothing made up.
    remaining = iter(made)
    assert all(progress in remaining for _, progress in seen)
    # Within one phase, two reports closer than a tenth of a second: the later completes it, or ends it.
    ends = [one for one, after in pairwise([*made, None]) if after is None or after.phase is not one.phase]
    for (before_s, before), (after_s, after) in pairwise(seen):
        if before.phase is after.phase and after_s - before_s < 0.0999:
            assert (after.complete and not before.complete) or after in ends
