"""What is burnt: the content of a ROM card fitted to the part, with its sums and the label to stick on it."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Mapping
from pathlib import Path

import attrs

from simkit.backplane.vectors import VECTORS
from simkit.burn.parts import KILO, Part
from simkit.contract.errors import SimkitError
from simkit.contract.plain import plain
from simkit.files.bounded import is_folder
from simkit.files.streams import is_stream
from simkit.files.whole import Written, write_together
from simkit.machine.machine import Machine
from simkit.rom.images import image_format, write_image

LABEL_WIDTH = 24
"""Characters a line of the label: what a 24-pin to 32-pin window label takes in small print (common practice)."""


@attrs.frozen
class Sums:
    """Checksums as programmers show them.

    Attributes:
        crc32: CRC-32, polynomial $EDB88320 reflected, as in zip and PNG files.
        sum16: sum of all bytes of the part modulo 65 536.
        sha256: SHA-256 in hex digits.
    """

    crc32: int
    sum16: int
    sha256: str

    @classmethod
    def of(cls, data: bytes) -> Sums:
        """Sums of some bytes."""
        return cls(zlib.crc32(data), sum(data) & 0xFFFF, hashlib.sha256(data).hexdigest())


@attrs.frozen(kw_only=True)
class Burn:
    """Content of one or several parts.

    Attributes:
        machine: name of the machine.
        slot: slot of the ROM card.
        part: the part.
        images: content of each part, exactly its size; several when the socket's content is split.
        remark: how image and part were fitted to each other.
        vectors: address by vector, as the CPU finds it; empty when the card does not hold them.
    """

    machine: str
    slot: int
    part: Part
    images: tuple[bytes, ...]
    remark: str
    vectors: Mapping[str, int]


def rom_slots(machine: Machine) -> list[int]:
    """Slots that hold ROMs."""
    return [seat.slot for seat in machine.bus.seats if seat.rom() is not None]


def rom_content(machine: Machine, slot: int) -> bytes:
    """What the part in a slot must hold, as its pins see it (exchanged wires of the board are on the board).

    Raises:
        SimkitError: no card there, or one without an image.
    """
    machine.card(slot)
    seat = next(seat for seat in machine.bus.seats if seat.slot == slot)
    content = seat.rom()
    if content is None:
        roms = rom_slots(machine)
        raise SimkitError(
            f"slot {slot} ({seat.kind}) holds no ROM.",
            slot=slot,
            remedy=f"Slots with ROMs: {', '.join(map(str, roms))}." if roms else "The machine has no ROM.",
        )
    return bytes(content)


def fit(machine: Machine, slot: int, part: Part, *, split: bool = False, at: int | None = None) -> Burn:
    """Fit the content of a ROM card to a part.

    As it is, repeated in a larger one, placed in it at an offset, or split over smaller ones.

    Args:
        machine: the machine.
        slot: slot of the ROM card.
        part: the part to burn.
        split: allow several parts.
        at: offset in the part; what is round it stays erased ($FF). None repeats the content.

    Raises:
        SimkitError: no ROM there, a smaller part without `split`, or an offset at which the content does not fit.
    """
    content = rom_content(machine, slot)
    size = len(content)
    images: tuple[bytes, ...] = (content,)
    if at is not None:
        images = (_placed(content, part, at, slot),)
        remark = f"The content stands at offset ${at:05X} of the part, $FF round it."
    elif part.size == size:
        remark = "The image fills the part."
    elif part.size > size:
        times = part.size // size
        images = (content * times,)
        remark = (
            f"The socket shows {size // KILO} KiB, the part has {part.size // KILO}: the content is repeated "
            f"{times} times, so that it does not matter how the spare address pins are tied."
        )
    elif content == content[: part.size] * (size // part.size):
        images, remark = (content[: part.size],), "The socket's content repeats itself; one period fits the part."
    elif split:
        images = tuple(content[start : start + part.size] for start in range(0, size, part.size))
        remark = f"The content is split over {len(images)} parts, lowest addresses first."
    else:
        raise SimkitError(
            f"slot {slot} shows {size} bytes; a {part.name} holds {part.size}.",
            slot=slot,
            remedy="Take a larger part, or --split for several parts.",
        )
    length = _image_length(machine, slot)
    if length < size:
        rest = f"The image has {length} bytes, from offset $0000; the other {size - length} are filler."
        remark = rest if part.size == size else f"{rest} {remark}"
    return Burn(
        machine=machine.description.name,
        slot=slot,
        part=part,
        images=images,
        remark=remark,
        vectors=_vectors(machine, slot),
    )


def _image_length(machine: Machine, slot: int) -> int:
    """Bytes of the image in the socket; of a card that does not tell, of its whole content."""
    seat = next(seat for seat in machine.bus.seats if seat.slot == slot)
    return len(seat.image or rom_content(machine, slot))


def _placed(content: bytes, part: Part, at: int, slot: int) -> bytes:
    size = len(content)
    if at < 0:
        raise SimkitError(f"{at} is no offset in a part.", slot=slot, remedy="Offsets count from 0.")
    if at + size > part.size:
        raise SimkitError(
            f"{size} bytes from offset ${at:05X} on do not fit into a {part.name} of {part.size}.",
            slot=slot,
            remedy=f"The last offset that fits is ${part.size - size:05X}."
            if size <= part.size
            else "Take a larger part.",
        )
    if at % size:
        raise SimkitError(
            f"Offset ${at:05X} is not a multiple of the {size} bytes that the socket shows.",
            slot=slot,
            remedy=f"The spare address pins choose among ${0:05X}, ${size:05X}, ${2 * size:05X} and so on.",
        )
    return b"\xff" * at + content + b"\xff" * (part.size - at - size)


def _vectors(machine: Machine, slot: int) -> dict[str, int]:
    """Vectors whose bytes the card in the slot gives, and it alone."""
    return {
        name: target
        for name, target in machine.vectors().items()
        if [seat.slot for at in (VECTORS[name], VECTORS[name] + 1) for seat, _ in machine.bus.where(at)] == [slot, slot]
    }


def label_text(burn: Burn, number: int, date: str) -> str:
    """Text of the label for part `number` (from 0): machine, slot, part, 16-bit sum, date; in a frame."""
    sums = Sums.of(burn.images[number])
    of = f" {number + 1}/{len(burn.images)}" if len(burn.images) > 1 else ""
    lines = [
        f"{plain(burn.machine)[:16]} slot {burn.slot}{of}",
        burn.part.name,
        f"sum {sums.sum16:04X} {date}",
    ]
    lines = [plain(line)[:LABEL_WIDTH] for line in lines]
    edge = "+" + "-" * (LABEL_WIDTH + 2) + "+"
    return "\n".join([edge, *(f"| {line:<{LABEL_WIDTH}} |" for line in lines), edge])


def write_files(burn: Burn, out: Path, *, force: bool = False) -> Written:
    """Write the image, or one file a part with `-1`, `-2` ... before the ending; all of them or none.

    Raises:
        FileError: the system does not let one be written.
        SimkitError: something else than an image is there, or a folder, or there is no such folder.
    """
    if is_folder(out) or not out.name:
        raise SimkitError(f"{out} is a folder.", remedy=f"Name the file in it: --out {out / 'my-rom.bin'}.")
    count = len(burn.images)
    if count > 1 and is_stream(out):
        raise SimkitError(
            f"{count} parts do not go into {out}.", remedy="Name a file; -1, -2 ... come before its ending."
        )
    paths = [out] if count == 1 else [out.with_name(f"{out.stem}-{n + 1}{out.suffix}") for n in range(count)]
    contents = {path: write_image(data, path.suffix) for path, data in zip(paths, burn.images, strict=True)}
    return write_together(contents, what="image", known=image_format(out.suffix), force=force)
