"""A plan onto a card: what goes away first, then each file under a temporary name, flushed in batches.

Nothing here decides whether a card may be written: `session.py` has asked the checks before it calls. Everything that
is about to be ours was written to the records before, so that a kill at any moment leaves nothing that the next run
cannot account for.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence

from mediaprep.errors import Interrupted, SourceChanged
from mediaprep.model import Action, Plan, PlannedFile, RecordedFile
from mediaprep.names import part_name
from mediaprep.ports import BundleSource, Cancelled, CardAccess, ProgressSink
from mediaprep.progress import Phase, Progress

# How much may be written before a flush of the whole file system makes it last. Larger is faster on many small files
# and puts more at risk: a power loss costs at most one batch, which the next run writes again.
BATCH_BYTES = 64 * 2**20
BATCH_FILES = 256
# How much may sit in the host's memory before it is forced out. Small, so that progress is honest and cancel quick.
SYNC_BYTES = 16 * 2**20

Journal = Callable[[Sequence[RecordedFile], Sequence[str]], None]


def stop_if(cancelled: Cancelled) -> None:
    """Raise Interrupted when the owner asked for a stop."""
    if cancelled():
        message = "Stopped on request"
        raise Interrupted(message)


def clear_away(plan: Plan, *, card: CardAccess, journal: Journal) -> None:
    """Remove what the plan says goes: our unfinished files, our files that are not wanted any more, their folders.

    Files go before new ones come, so that the old set's room can be used. `journal` hears of it after the flush.
    """
    if not (plan.leftovers or plan.remove):
        return
    for path in (*plan.leftovers, *plan.remove):
        card.remove(path)
    for path in plan.remove_folders:
        card.remove_folder(path)
    card.flush()
    journal((), plan.remove)


def copy_files(
    files: Sequence[PlannedFile],
    *,
    card: CardAccess,
    source: BundleSource,
    journal: Journal,
    progress: ProgressSink,
    cancelled: Cancelled,
) -> int:
    """Copy files onto the card, in the order in which the source hands them out, and return the bytes written.

    Each is written under its temporary name, synced and renamed. After each batch the whole file system is flushed,
    and `journal` is told which files that covered. Raise SourceChanged where the source is not what was taken in,
    Interrupted when cancelled, and what CardAccess raises. Folders must be there.
    """
    total_bytes = sum(item.entry.size_bytes for item in files)
    done_bytes = 0
    batch: list[RecordedFile] = []
    batch_bytes = 0

    def flush() -> None:
        nonlocal batch_bytes
        card.flush()
        journal(batch, ())
        batch.clear()
        batch_bytes = 0

    by_path = {item.entry.path: item for item in files}
    with source.hand_out(by_path, cancelled) as handed_out:
        for number, (path, chunks) in enumerate(handed_out):

            def advance(count: int, number: int = number, path: str = path) -> None:
                nonlocal done_bytes
                done_bytes += count
                progress(Progress(Phase.COPY, number, len(files), done_bytes, total_bytes, path))

            item = by_path[path]
            _copy_one(item, chunks, card=card, advance=advance, cancelled=cancelled)
            batch.append(recorded_after(item))
            batch_bytes += item.entry.size_bytes
            if batch_bytes >= BATCH_BYTES or len(batch) >= BATCH_FILES:
                flush()
    progress(Progress(Phase.COPY, len(files), len(files), done_bytes, total_bytes))
    progress(Progress(Phase.FLUSH, 0, 0, 0, 0))
    flush()
    return done_bytes


def recorded_after(item: PlannedFile) -> RecordedFile:
    """Return how the records know a planned file once it is on the card for good."""
    entry = item.entry
    return RecordedFile(
        entry.path, entry.size_bytes, entry.sha256, item.bundle, item.kind, flushed=True, ours=item.ours
    )


def to_copy(plan: Plan) -> tuple[PlannedFile, ...]:
    """Return the plan's files that are not merely kept."""
    return tuple(item for item in plan.files if item.action is not Action.KEEP)


def _copy_one(
    item: PlannedFile,
    chunks: Iterable[bytes],
    *,
    card: CardAccess,
    advance: Callable[[int], None],
    cancelled: Cancelled,
) -> None:
    entry = item.entry
    temporary = part_name(entry.path)
    digest = hashlib.sha256()
    size = waiting = 0
    writer = card.create(temporary)
    try:
        for chunk in chunks:
            stop_if(cancelled)
            size += len(chunk)
            if size > entry.size_bytes:
                break
            digest.update(chunk)
            writer.write(chunk)
            waiting += len(chunk)
            if waiting >= SYNC_BYTES:
                writer.sync()
                advance(waiting)
                waiting = 0
        if size != entry.size_bytes or digest.hexdigest() != entry.sha256:
            message = f"{entry.path} in bundle {item.bundle} is not what was taken in"
            raise SourceChanged(message)
        writer.sync()
        advance(waiting)
    finally:
        writer.close()
    card.rename(temporary, entry.path)
