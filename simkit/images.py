"""ROM images: read from files in the formats programmers write, checked against the part they go into."""

from __future__ import annotations

from pathlib import Path

from simkit.errors import SimkitError

MAX_FILE_BYTES = 4_000_000
HEX_SUFFIXES = (".hex", ".ihx", ".ihex", ".s19", ".s28", ".s37", ".srec", ".mot")


def read_image(path: Path, part_bytes: int) -> bytes:
    """Content of an image file as it lies in the part, from offset 0.

    Raw binaries are taken as they are. In Intel HEX and S-record files the addresses count modulo the size of the
    part, so that code placed at its CPU addresses lands where the part shows it; gaps are filled with $FF (erased).

    Raises:
        SimkitError: no such file, empty, larger than the part, or a damaged hex record.
    """
    try:
        size = path.stat().st_size
        if size > MAX_FILE_BYTES:
            raise SimkitError(f"The image file has {size} bytes; {MAX_FILE_BYTES} are allowed.", file=str(path))
        data = path.read_bytes()
    except FileNotFoundError as error:
        raise SimkitError(
            f"There is no image {path}.", remedy="Correct the path (it counts from the machine file) or build the ROM."
        ) from error
    except OSError as error:
        raise SimkitError(f"The image {path} cannot be read: {error.strerror or error}.") from error
    if path.suffix.lower() in HEX_SUFFIXES:
        data = _from_hex(path, data, part_bytes)
    if not data:
        raise SimkitError(f"The image {path} is empty.", remedy="Build the ROM again.")
    if len(data) > part_bytes:
        raise SimkitError(
            f"The image {path} has {len(data)} bytes, the part {part_bytes}.",
            remedy="Fit a larger part (setting size) or build a smaller image.",
        )
    return data


def _from_hex(path: Path, data: bytes, part_bytes: int) -> bytes:
    import bincopy

    try:
        text = data.decode("ascii")
        content = bincopy.BinFile()
        content.add(text)
    except UnicodeDecodeError as error:
        raise SimkitError("The file is not text, so it is no hex file.", file=str(path)) from error
    except bincopy.Error as error:
        raise SimkitError(f"Not a sound hex file: {error}.", file=str(path)) from error
    image = bytearray()
    taken = bytearray(part_bytes)
    for segment in content.segments:
        for number, byte in enumerate(segment.data):
            offset = (segment.address + number) % part_bytes
            if taken[offset]:
                raise SimkitError(
                    f"Two bytes fall on offset ${offset:04X} of the part: the file spans more than {part_bytes} bytes.",
                    file=str(path),
                    remedy="Fit a larger part (setting size) or link for this one.",
                )
            taken[offset] = 1
            if offset >= len(image):
                image.extend(b"\xff" * (offset + 1 - len(image)))
            image[offset] = byte
    return bytes(image)


def vector_warning(image: bytes, part_bytes: int) -> str | None:
    """Warning for an image shorter than its part whose own last six bytes look like the vectors.

    An image built for the top of a part but burned at its bottom leaves the vectors where the CPU does not look
    (common practice; a question of every builders' forum).
    """
    if len(image) >= part_bytes or len(image) < 6:
        return None
    reset = image[-4] | image[-3] << 8
    if reset in (0x0000, 0xFFFF):
        return None
    return (
        f"The image has {len(image)} bytes, the part {part_bytes}: the last six bytes of the part are fill. The "
        f"image's own last six bytes hold a reset vector ${reset:04X}; placed at the top of the part (offset "
        f"${part_bytes - len(image):04X}) the CPU would find it."
    )
