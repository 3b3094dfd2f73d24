"""Frames as a film: animated WebP, GIF or PNG, or a picture a frame. Exact frame times, never adding up an error.

A film's file counts whole units of time: GIF hundredths of a second (CompuServe, Graphics Interchange Format Version
89a, 31 July 1990, 23.c.vii), WebP (Google, WebP Container Specification, "Animation") and PNG (W3C, PNG Specification,
Third Edition, 2025, 11.3.6.2) thousandths, the two last from memory. Each frame begins in the unit nearest to its time.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import attrs

from simkit.contract.errors import SimkitError
from simkit.files.formats import Format
from simkit.files.png import PICTURE, encode
from simkit.files.whole import Written, write_together, write_whole
from simkit.film.frames import Frame

if TYPE_CHECKING:
    from PIL.Image import Image

SHORTEST = {"GIF": 2, "WEBP": 1, "PNG": 1}
"""Units that a frame lasts at least; browsers take a shorter delay of a GIF for a tenth of a second (common
practice)."""
PER_SECOND = {"GIF": 100, "WEBP": 1000, "PNG": 1000}
SUFFIXES = {".gif": "GIF", ".webp": "WEBP", ".png": "PNG"}
MARK = b"simkit film"
"""Stands in each film, as a comment, by which it is known again."""
_BEGINNINGS = (b"GIF89a", b"RIFF", b"\x89PNG")
FILM = Format("a film by simkit", lambda content: content.startswith(_BEGINNINGS) and MARK in content)
MOST_BYTES = 1_500_000_000
"""Of all pictures of a film in memory."""

Rgb = tuple[int, int, int]


@attrs.frozen
class Shown:
    """A picture of a film and how long it is shown.

    Attributes:
        frame: the picture.
        units: of the file's time.
    """

    frame: Frame
    units: int


def kind_of(path: Path) -> str | None:
    """Kind of film by the ending of a file's name; None: a folder of pictures, by a name without an ending.

    Raises:
        SimkitError: another ending.
    """
    suffix = path.suffix.lower()
    if not suffix:
        return None
    if suffix not in SUFFIXES:
        raise SimkitError(
            f"A film is no {suffix} file.",
            remedy=f"Name it {path.stem}.webp, .gif or .png (animated), or a folder for a picture a frame.",
        )
    return SUFFIXES[suffix]


def timed(frames: Sequence[Frame], kind: str) -> list[Shown]:
    """Frames with their times in a file; pictures that do not change are one, and one that is too short is left out.

    Args:
        frames: in order.
        kind: of film.
    """
    per_second, shortest = PER_SECOND[kind], SHORTEST[kind]
    starts: list[tuple[Frame, int]] = []
    time = Fraction(0)
    for frame in frames:
        start = round(time * per_second)
        time += frame.seconds
        if starts and start - starts[-1][1] < shortest:
            continue  # the picture before has just begun
        if not starts or starts[-1][0].rows != frame.rows:
            starts.append((frame, start))
    ends = [start for _, start in starts[1:]] + [round(time * per_second)]
    return [Shown(frame, max(shortest, end - start)) for (frame, start), end in zip(starts, ends, strict=True)]


def film(frames: Sequence[Frame], palette: Sequence[Rgb], kind: str, scale: int) -> bytes:
    """The content of a film's file.

    Args:
        frames: in order, at least one.
        palette: red, green, blue by palette number.
        kind: GIF, WEBP or PNG.
        scale: repeats of each pixel across and down.

    Raises:
        SimkitError: it is too long to be kept in memory.
    """
    shown = timed(frames, kind)
    down, across = len(frames[0].rows), len(frames[0].rows[0])
    room = len(shown) * down * across * scale * scale * (1 if kind != "WEBP" else 3)
    if room > MOST_BYTES:
        raise SimkitError(
            f"The film has {len(shown)} pictures of {across * scale} x {down * scale} pixels, too many for one file.",
            remedy="Film less, with a smaller --scale, or into a folder.",
        )
    images = [_image(one.frame.rows, palette, scale, kind) for one in shown]
    options: dict[str, Any] = {"duration": [one.units * 1000 // PER_SECOND[kind] for one in shown], "loop": 0}
    if kind == "WEBP":
        options |= {"lossless": True, "method": 3, "xmp": MARK}
    elif kind == "GIF":
        options |= {"optimize": False, "disposal": 1, "comment": MARK}
    else:
        options["pnginfo"] = _png_comment()
    buffer = io.BytesIO()
    first, *rest = images
    first.save(buffer, kind, save_all=True, append_images=rest, **options)
    return buffer.getvalue()


def written(
    path: Path, kind: str | None, frames: Sequence[Frame], palette: Sequence[Rgb], scale: int, *, force: bool
) -> Written:
    """Write a film, or a folder of pictures.

    Args:
        path: of the file or folder.
        kind: as `kind_of` gives it.
        frames: in order, at least one.
        palette: red, green, blue by palette number.
        scale: repeats of each pixel across and down.
        force: write over files that are not of the kit's making.

    Raises:
        FileError: the system does not let it be written.
        SimkitError: something else is there, or it is too long.
    """
    if kind is not None:
        return write_whole(path, film(frames, palette, kind, scale), what="film", known=FILM, force=force)
    contents = {path / name: data for name, data in pictures(frames, palette, scale).items()}
    return write_together(contents, what="picture", known=PICTURE, force=force, make_folders=True)


def pictures(frames: Sequence[Frame], palette: Sequence[Rgb], scale: int) -> dict[str, bytes]:
    """A PNG a frame, by name: `frame-000120.png` is what the screen shows when its 120th frame has ended."""
    colours = bytes(level for colour in palette for level in colour)
    return {
        f"frame-{one.number:06d}.png": encode(_wide(one.rows, scale), len(one.rows[0]) * scale, colours)
        for one in frames
    }


def _wide(rows: Sequence[bytes], scale: int) -> list[bytes]:
    """Each pixel so often across and down."""
    if scale == 1:
        return list(rows)
    return [b"".join(bytes([pixel]) * scale for pixel in row) for row in rows for _ in range(scale)]


def _png_comment() -> Any:
    from PIL.PngImagePlugin import PngInfo

    found = PngInfo()
    found.add_text("Comment", MARK.decode())
    return found


def _image(rows: Sequence[bytes], palette: Sequence[Rgb], scale: int, kind: str) -> Image:
    from PIL import Image

    down, across = len(rows), len(rows[0])
    image = Image.frombytes("P", (across, down), b"".join(rows))
    image.putpalette([level for colour in palette for level in colour])
    if scale > 1:
        image = image.resize((across * scale, down * scale), Image.Resampling.NEAREST)
    return image.convert("RGB") if kind == "WEBP" else image
