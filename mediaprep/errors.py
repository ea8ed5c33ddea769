"""Every error a user can meet: one root, and for each class one stable code, one exit code and one way out.

Exit codes: 0 done, 1 bug, 2 usage, 10-19 refused by a check, 20-29 bundle, 30-39 write or readback, 40-49 records,
50-59 service or delivery, 130 interrupted. `tests/pure/test_errors.py` walks this tree and fails where two classes
share a code or an exit code; `docs/reference/errors.md` is generated from it.
"""

from __future__ import annotations

from typing import ClassVar


class MediaPrepError(Exception):
    """Root of all errors that mediaprep raises on purpose.

    The first argument is a sentence that names the card, file, unit or field. `remedy` says what to do about it.
    """

    code: ClassVar[str] = "bug"
    exit_code: ClassVar[int] = 1
    remedy: str = "This is a fault in mediaprep. Please report it with the command you gave."

    def __init__(self, message: str, *, remedy: str | None = None) -> None:
        super().__init__(message)
        self.message = message
        if remedy is not None:
            self.remedy = remedy

    def __str__(self) -> str:
        return self.message

    def __reduce__(self) -> tuple[object, ...]:
        # Keyword arguments are lost by Exception's own pickling; jobs carry errors between threads and processes.
        return (_rebuild, (type(self), self.args, self.__dict__.copy()))


def _rebuild(kind: type[MediaPrepError], args: tuple[object, ...], state: dict[str, object]) -> MediaPrepError:
    error = kind.__new__(kind)
    Exception.__init__(error, *args)
    error.__dict__.update(state)
    return error


def _shown(paths: tuple[str, ...]) -> str:
    return ", ".join(paths[:5]) + (f" and {len(paths) - 5} more" if len(paths) > 5 else "")


class Usage(MediaPrepError):
    """The command or request cannot be understood, or a value in it is not of the right form."""

    code, exit_code = "usage", 2
    remedy = "See the command's --help."


class PreflightRefused(MediaPrepError):
    """At least one check refused; nothing was written."""

    code, exit_code = "preflight-refused", 10
    remedy = "Do what each refused finding says, then run the command again."


class PreflightUnknown(MediaPrepError):
    """No check refused, but a fact that the unit's rule asks for could not be had; nothing was written."""

    code, exit_code = "preflight-unknown", 11
    remedy = "Find the fact out and state it, or accept the finding by name with --accept CHECK."


class CardNotReady(MediaPrepError):
    """The card is not verified, so it may not be logged as carried to a unit."""

    code, exit_code = "card-not-ready", 12
    remedy = "Run 'mediaprep verify' on the card, or write it again."


class TargetUnsafe(MediaPrepError):
    """The target is not removable media, or holds part of the running system. There is no override."""

    code, exit_code = "target-unsafe", 13
    remedy = "Name the mount point of a removable card, or a new folder to play a card."


class CardBusy(MediaPrepError):
    """Another job is at work on this card."""

    code, exit_code = "card-busy", 14
    remedy = "Wait for that job to end, or cancel it."


class BundleUnreadable(MediaPrepError):
    """The bundle's folder or a file in it is missing or cannot be read."""

    code, exit_code = "bundle-unreadable", 20
    remedy = "Put the file back or make it readable, then try again."


class BundleUnsafe(MediaPrepError):
    """The bundle holds something that must not be copied: a link, a device, a name that leaves its folder."""

    code, exit_code = "bundle-unsafe", 21
    remedy = "Take the named item out of the bundle, or have the bundle supplied again."


class BundleEmpty(MediaPrepError):
    """The bundle holds no file."""

    code, exit_code = "bundle-empty", 22
    remedy = "Name the folder that holds the files themselves."


class SourceChanged(MediaPrepError):
    """A bundle's file differs from what was taken in."""

    code, exit_code = "source-changed", 23
    remedy = "Put the original file back, or take the bundle in again under a new name."


class ManifestInvalid(MediaPrepError):
    """A line of a checksum file cannot be read."""

    code, exit_code = "manifest-invalid", 24
    remedy = "Correct the line that is named, or ask the publisher for the file again."


class BundleFactsInvalid(MediaPrepError):
    """A cycle, date or unit stated for a bundle does not fit its data kind."""

    code, exit_code = "bundle-facts-invalid", 25
    remedy = "State the cycle or the dates as the data kind asks for them: 'mediaprep cycles' shows them."


class ChecksumsDisagree(MediaPrepError):
    """A bundle is not what its publisher's checksums say: files differ, are missing, or are not listed."""

    code, exit_code = "checksums-disagree", 26
    remedy = "Get the named files again from where you have the bundle; nothing was taken in."

    def __init__(self, message: str, paths: tuple[str, ...] = (), *, remedy: str | None = None) -> None:
        super().__init__(f"{message}: {_shown(paths)}" if paths else message, remedy=remedy)
        self.paths = paths


class BagInvalid(MediaPrepError):
    """A bag does not follow the rules of the version that it says it is of (RFC 8493)."""

    code, exit_code = "bag-invalid", 27
    remedy = "Have the bag supplied again, or take it in with --lenient if each fault is one of form alone."

    def __init__(self, message: str, paths: tuple[str, ...] = (), *, remedy: str | None = None) -> None:
        super().__init__(f"{message}: {_shown(paths)}" if paths else message, remedy=remedy)
        self.paths = paths


class BundleInUse(MediaPrepError):
    """A bundle cannot be removed: a card in service holds it, or a unit goes by it."""

    code, exit_code = "bundle-in-use", 28
    remedy = "Write the card anew or retire it first, or say --even-in-use."


class SignatureInvalid(MediaPrepError):
    """A publisher's signature does not hold: not over this file, not by this key, or by one that counts no longer."""

    code, exit_code = "signature-invalid", 29
    remedy = (
        "Get the file and its signature again; nothing was taken in. If it signs another file, say which: --signs FILE."
    )


class WriteFailed(MediaPrepError):
    """The card gave an input or output error while being written."""

    code, exit_code = "write-failed", 30
    remedy = "Do not fly with this card. Try another reader, then write again; if it fails again, retire the card."


class ReadbackMismatch(MediaPrepError):
    """Files read back from the card differ from the bundle."""

    code, exit_code = "readback-mismatch", 31
    remedy = "Do not fly with this card. Write it again; if it fails again, retire the card."

    def __init__(self, card: str, paths: tuple[str, ...], message: str | None = None) -> None:
        super().__init__(message or f"Card {card} does not hold what the bundle says: {_shown(paths)}")
        self.card, self.paths = card, paths


class CardGone(MediaPrepError):
    """The card vanished while it was in use."""

    code, exit_code = "card-gone", 32
    remedy = "Put the card back in, then run the same command again: it resumes, and nothing is taken on trust."


class CardFull(MediaPrepError):
    """The card had no room for the next byte."""

    code, exit_code = "card-full", 33
    remedy = "Use a larger card that the unit accepts, or free room on this one."


class CardReadOnly(MediaPrepError):
    """The card or its volume refuses to be written."""

    code, exit_code = "card-read-only", 34
    remedy = "Move the lock switch up, or mount the volume for writing."


class CardRefusesName(MediaPrepError):
    """The card's file system refuses a file's name or size."""

    code, exit_code = "card-refuses-name", 35
    remedy = "Use a card with the file system that the bundle was made for."


class ReadbackFailed(MediaPrepError):
    """The card gave an error while being read back."""

    code, exit_code = "readback-failed", 36
    remedy = "Do not fly with this card. Try another reader; if it fails again, retire the card."


class ForeignFileInTheWay(MediaPrepError):
    """A file that mediaprep did not put there has a name the bundle needs, and other content."""

    code, exit_code = "foreign-file", 37
    remedy = "Copy the file off and remove it from the card yourself; mediaprep never deletes what it did not write."


class ProofIncomplete(MediaPrepError):
    """The data was read back and agrees, but it is not proven that the medium itself holds all of it."""

    code, exit_code = "proof-incomplete", 38
    remedy = "Take the card out, put it in again, and run 'mediaprep verify' on it: that finishes the proof."


class RecordsUnusable(MediaPrepError):
    """The database cannot be opened or is damaged."""

    code, exit_code = "records-unusable", 40
    remedy = "Restore a backup with 'mediaprep restore FILE', or name another folder with MEDIAPREP_DATA_DIR."


class RecordsNewer(MediaPrepError):
    """The database was made by a newer mediaprep."""

    code, exit_code = "records-newer", 41
    remedy = "Upgrade mediaprep on this computer."


class RecordExists(MediaPrepError):
    """A record of that name is there already."""

    code, exit_code = "record-exists", 42
    remedy = "Choose another name."


class LogbookBroken(MediaPrepError):
    """An entry of a logbook was edited, removed, reordered or inserted."""

    code, exit_code = "logbook-broken", 43
    remedy = "Compare with a backup or a printed digest, and find out who changed it."


class LoadStateInvalid(MediaPrepError):
    """A load cannot go from the state it is in to the one asked for."""

    code, exit_code = "load-state", 44
    remedy = "See the load's history with 'mediaprep log'."


class NotFound(MediaPrepError):
    """A name in the command or request is not in the records."""

    code, exit_code = "not-found", 45
    remedy = "List what there is with 'mediaprep aircraft', 'unit', 'bundle' or 'cards'."


class OutputFailed(MediaPrepError):
    """A file that was asked for cannot be written, or is there already: none is ever overwritten."""

    code, exit_code = "output-failed", 46
    remedy = "Choose another name, or a folder that can be written."


class ImportInvalid(MediaPrepError):
    """What is to be taken into the records is damaged or does not fit them; nothing of it was taken in."""

    code, exit_code = "import-invalid", 47
    remedy = "Mend what is named, then try again: nothing was changed."


class ServiceUnavailable(MediaPrepError):
    """The service cannot start or be reached."""

    code, exit_code = "service-unavailable", 50
    remedy = "Choose another port with --port, or stop the program that holds it."


class TargetRefused(MediaPrepError):
    """A target of reminders points to this computer or to a link of its own, where no message should go unasked."""

    code, exit_code = "target-refused", 51
    remedy = "Check the address. If a program of yours listens there, say so: --allow-local."


class DeliveryFailed(MediaPrepError):
    """At least one message could not be handed to its target. It is kept and tried again, later each time."""

    code, exit_code = "delivery-failed", 52
    remedy = "See 'mediaprep remind history', and try the target out: mediaprep remind target test NAME."


class Interrupted(MediaPrepError):
    """The owner stopped the job. The card is unfit until it is written or verified again."""

    code, exit_code = "interrupted", 130
    remedy = "Run the same command again: it resumes."


def all_errors() -> list[type[MediaPrepError]]:
    """Return every error class below the root, by exit code."""
    found: list[type[MediaPrepError]] = []
    waiting = [MediaPrepError]
    while waiting:
        for kind in waiting.pop().__subclasses__():
            found.append(kind)
            waiting.append(kind)
    return sorted(found, key=lambda kind: (kind.exit_code, kind.code))
