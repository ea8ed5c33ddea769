"""Unpacking in small pieces: whatever an archive holds, no more than a bounded part of it is in memory at once."""

from __future__ import annotations

import bz2
import lzma
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Protocol

from mediaprep.bundles.limits import DICTIONARY_BYTES_MAX

CHUNK_BYTES = 2**20
# What may be fed at once. zstd hands out all that its input holds, up to 32 KiB for each of its bytes: 16 MiB here.
_ZSTD_FEED_BYTES = 512
# What liblzma takes beside its dictionary (xz(1), "Memory usage"), rounded up.
_LZMA_OVERHEAD_BYTES = 2**24


class PackingError(ValueError):
    """The packed bytes are not what their method makes. The text is the end of a sentence: `is damaged: ...`."""


class PackingTooLarge(ValueError):
    """Unpacking would take more memory than is allowed. The text is the end of a sentence."""


class Decoder(Protocol):
    """One packed stream being unpacked."""

    @property
    def finished(self) -> bool:
        """Whether the stream's own end mark was reached and its checksum, if it has one, agreed."""

    @property
    def unused(self) -> bytes:
        """What was fed after the end mark."""

    def feed(self, data: bytes) -> Iterator[bytes]:
        """Yield what comes out, in pieces. Raise PackingError or PackingTooLarge."""


class Stored:
    """Bytes that are not packed. They have no end mark."""

    finished = False
    unused = b""

    def feed(self, data: bytes) -> Iterator[bytes]:
        """Yield the bytes as they are."""
        yield data


class Zlib:
    """Deflate: `window_bits` as zlib has them, -15 for a bare stream, 31 for gzip."""

    def __init__(self, window_bits: int) -> None:
        self._inner = zlib.decompressobj(window_bits)

    @property
    def finished(self) -> bool:
        """Whether the end was reached."""
        return self._inner.eof

    @property
    def unused(self) -> bytes:
        """What came after the end."""
        return self._inner.unused_data

    def feed(self, data: bytes) -> Iterator[bytes]:
        """Yield what comes out."""
        with _faults():
            while True:
                chunk = self._inner.decompress(data, CHUNK_BYTES)
                data = self._inner.unconsumed_tail
                if chunk:
                    yield chunk
                if self._inner.eof or (not data and len(chunk) < CHUNK_BYTES):
                    return


class Buffered:
    """bzip2, and LZMA in its forms: the standard library's decompressors that keep their input themselves."""

    def __init__(self, inner: bz2.BZ2Decompressor | lzma.LZMADecompressor) -> None:
        self._inner = inner

    @property
    def finished(self) -> bool:
        """Whether the end was reached."""
        return self._inner.eof

    @property
    def unused(self) -> bytes:
        """What came after the end."""
        return self._inner.unused_data

    def feed(self, data: bytes) -> Iterator[bytes]:
        """Yield what comes out."""
        with _faults():
            while not self._inner.eof:
                chunk = self._inner.decompress(data, CHUNK_BYTES)
                data = b""
                if chunk:
                    yield chunk
                if self._inner.needs_input:
                    return


class Zstd:
    """One frame of Zstandard."""

    def __init__(self) -> None:
        import zstandard

        self._error = zstandard.ZstdError
        self._inner = zstandard.ZstdDecompressor(max_window_size=DICTIONARY_BYTES_MAX).decompressobj()
        self._unused = b""

    @property
    def finished(self) -> bool:
        """Whether the end was reached."""
        return self._inner.eof

    @property
    def unused(self) -> bytes:
        """What came after the end."""
        return self._unused

    def feed(self, data: bytes) -> Iterator[bytes]:
        """Yield what comes out."""
        for start in range(0, len(data), _ZSTD_FEED_BYTES):
            try:
                chunk = self._inner.decompress(data[start : start + _ZSTD_FEED_BYTES])
            except self._error as error:
                if "too much memory" in str(error):
                    raise _too_large() from error
                raise PackingError(str(error)) from error
            if chunk:
                yield chunk
            if self._inner.eof:
                self._unused = self._inner.unused_data + data[start + _ZSTD_FEED_BYTES :]
                return


def gzip_decoder() -> Decoder:
    """Return a decoder for one member of a gzip file; its checksum is compared."""
    return Zlib(31)


def bzip2_decoder() -> Decoder:
    """Return a decoder for one bzip2 stream."""
    return Buffered(bz2.BZ2Decompressor())


def xz_decoder() -> Decoder:
    """Return a decoder for one xz stream."""
    limit = DICTIONARY_BYTES_MAX + _LZMA_OVERHEAD_BYTES
    return Buffered(lzma.LZMADecompressor(lzma.FORMAT_XZ, memlimit=limit))


def zip_lzma_decoder(properties: bytes) -> Decoder:
    """Return a decoder for LZMA as zip has it, from its five bytes of properties (APPNOTE 5.8.8)."""
    packed, dictionary_bytes = properties[0], int.from_bytes(properties[1:5], "little")
    if dictionary_bytes > DICTIONARY_BYTES_MAX:
        raise _too_large()
    with _faults():
        inner = lzma.LZMADecompressor(
            lzma.FORMAT_RAW,
            filters=[
                {
                    "id": lzma.FILTER_LZMA1,
                    "dict_size": max(dictionary_bytes, 4096),
                    "lc": packed % 9,
                    "lp": packed // 9 % 5,
                    "pb": packed // 45,
                }
            ],
        )
    return Buffered(inner)


def unpacked(read: Callable[[], bytes], make: Callable[[], Decoder]) -> Iterator[bytes]:
    """Yield what a whole file of one or more packed streams holds. `read` returns its next bytes, none at its end.

    Zeros after a stream are passed over, as gzip and xz do. Raise PackingError where a stream is cut short or followed
    by anything else, and PackingTooLarge.
    """
    decoder, started = make(), False
    data = read()
    while data:
        if not started:
            data = data.lstrip(b"\0")
            started = bool(data)
        yield from decoder.feed(data)
        if decoder.finished:
            data = decoder.unused or read()
            decoder, started = make(), False
        else:
            data = read()
    if started:
        message = "it ends before its end mark"
        raise PackingError(message)


@contextmanager
def _faults() -> Iterator[None]:
    """Turn what the standard library raises for bad input into our own errors."""
    try:
        yield
    except lzma.LZMAError as error:
        if "limit" in str(error):
            raise _too_large() from error
        raise PackingError(str(error)) from error
    except (zlib.error, OSError, EOFError, ValueError) as error:
        raise PackingError(str(error)) from error


def _too_large() -> PackingTooLarge:
    return PackingTooLarge(f"is packed so that unpacking takes more than {DICTIONARY_BYTES_MAX // 2**20} MiB of memory")
