"""Manifests as text, as `sha256sum` writes them, and paths that are unsafe anywhere.

Texts stand for bytes in UTF-8 with `surrogateescape`, so that a name that is no UTF-8 keeps its bytes. Checksum files
of others are read by `checksums.py`, those of bags by `bagit.py`.
"""

from __future__ import annotations

import hashlib
import unicodedata

from mediaprep.model import Manifest

_ESCAPES = str.maketrans({"\\": "\\\\", "\n": "\\n", "\r": "\\r"})


def to_text(manifest: Manifest) -> str:
    """Return the manifest as `sha256sum` writes it, in path order, for `sha256sum -c` to check.

    A name with a backslash, LF or CR is escaped, and its line starts with a backslash.
    """
    in_order = sorted((entry.path, entry.sha256) for entry in manifest.entries)
    return "".join(_line(sha256, path) for path, sha256 in in_order)


def digest(manifest: Manifest) -> str:
    """Return the SHA-256 of the manifest's text: what names the content of a whole bundle.

    It depends on paths and contents only, not on times or on the order of the entries.
    """
    return hashlib.sha256(to_text(manifest).encode("utf-8", "surrogateescape")).hexdigest()


def _line(sha256: str, path: str) -> str:
    escaped = path.translate(_ESCAPES)
    mark = "" if escaped == path else "\\"
    return f"{mark}{sha256}  {escaped}\n"


def safe_path_problem(path: str) -> str | None:
    """Return what makes a bundle's path unsafe on one system or another, None where nothing does.

    The answer is the end of a sentence that starts with the path: `contains a backslash`. What a certain file system
    would refuse is another matter, and not judged here.
    """
    parts = path.split("/")
    # Neither kind below is printable: with half a million names it pays to look at single characters only then.
    odd = not path.isprintable()
    problems = (
        (not path, "is empty"),
        (path.startswith("/"), "starts at the root folder"),
        ("\\" in path, "contains a backslash"),
        # Windows reads `C:name` as a drive, and `name:more` as a hidden stream of a file.
        (":" in path, "contains a colon, which stands for a drive on some systems"),
        ("" in parts, "has a part without a name"),
        ("." in parts, "has '.' as a part"),
        (".." in parts, "has '..' as a part, which leaves the folder"),
        (odd and any(unicodedata.category(char) == "Cc" for char in path), "contains a control character"),
        # Lone surrogates stand for bytes that are not UTF-8; the file systems of cards keep names as Unicode.
        (odd and any(unicodedata.category(char) == "Cs" for char in path), "contains bytes that are not UTF-8 text"),
    )
    return next((problem for is_so, problem in problems if is_so), None)
