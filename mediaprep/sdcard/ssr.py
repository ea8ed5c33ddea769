"""The SD status register: the classes of speed that a card states, and how it likes to be written."""

from __future__ import annotations

from dataclasses import dataclass

from mediaprep.sdcard.bits import RegisterInvalid, parse

_WIDTH = 512
_KIB, _MIB = 2**10, 2**20
# Speed class by its code. From memory of the SD Physical Layer Specification; that 4 means class 10 is confirmed by
# cards sold so.
_SPEED_CLASSES = {0: 0, 1: 2, 2: 4, 3: 6, 4: 10}
# Linux drivers/mmc/core/sd.c, sd_au_size, there in sectors.
_AU_BYTES = (
    0, 16 * _KIB, 32 * _KIB, 64 * _KIB, 128 * _KIB, 256 * _KIB, 512 * _KIB,
    1 * _MIB, 2 * _MIB, 4 * _MIB, 8 * _MIB, 12 * _MIB, 16 * _MIB, 24 * _MIB, 32 * _MIB, 64 * _MIB,
)  # fmt: skip
_VIDEO_CLASSES = {0, 6, 10, 30, 60, 90}
_UHS_GRADES = {0, 1, 3}
_APPLICATION_CLASSES = {0, 1, 2}
_UHS_MBYTES = {0: 0, 1: 10, 3: 30}


@dataclass(frozen=True, slots=True)
class Ssr:
    """What a card states of its speed. A class of 0 is not stated, which does not prove that the card is slower.

    `speed_class` is 2, 4, 6 or 10, `uhs_grade` 1 or 3, `video_class` 6 to 90, `application_class` 1 or 2; each is None
    where the register holds a number without a meaning. `allocation_unit_bytes` is what the card likes to be written
    in, `video_unit_bytes` the same for its video class, 0 where not stated.
    """

    bus_width: int
    speed_class: int | None
    uhs_grade: int | None
    video_class: int | None
    application_class: int | None
    allocation_unit_bytes: int
    video_unit_bytes: int
    has_cache: bool
    can_discard: bool

    @property
    def least_write_bytes_per_second(self) -> int:
        """The slowest sequential write that the highest class allows, in bytes (10^6 to the MB); 0 where none is.

        Source of the figures: sdcard.org, page on speed classes; 10 MB/s for both application classes.
        """
        mbytes = (
            self.speed_class or 0,
            _UHS_MBYTES[self.uhs_grade or 0],
            self.video_class or 0,
            10 if self.application_class else 0,
        )
        return max(mbytes) * 10**6

    @property
    def marks(self) -> tuple[str, ...]:
        """The classes as they are printed on cards, such as `C10`, `U3`, `V30`, `A2`."""
        stated = (
            ("C", self.speed_class),
            ("U", self.uhs_grade),
            ("V", self.video_class),
            ("A", self.application_class),
        )
        return tuple(f"{letter}{number}" for letter, number in stated if number)


def decode_ssr(text: str) -> Ssr:
    """Return an SSR from the 128 digits of `device/ssr`. It has no checksum.

    An all-zero register, as emulated cards have, is refused as not read. Raise RegisterInvalid.
    """
    bits = parse(text, "SSR", _WIDTH)
    if bits.value == 0:
        message = "SSR is all zero: the host did not read it"
        raise RegisterInvalid(message)
    return Ssr(
        bus_width=4 if bits.field(511, 510) == 2 else 1,
        speed_class=_SPEED_CLASSES.get(bits.field(447, 440)),
        uhs_grade=_among(bits.field(399, 396), _UHS_GRADES),
        video_class=_among(bits.field(391, 384), _VIDEO_CLASSES),
        application_class=_among(bits.field(339, 336), _APPLICATION_CLASSES),
        allocation_unit_bytes=_AU_BYTES[bits.field(431, 428)],
        video_unit_bytes=bits.field(377, 368) * _MIB,
        has_cache=bits.flag(330),
        can_discard=bits.flag(313),
    )


def _among(number: int, known: set[int]) -> int | None:
    return number if number in known else None
