"""Which of the files that a visitor drops is the image, and which are label lists of it: by what is in them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_bounded
from simkit.rom.images import MAX_FILE_BYTES, is_hex, is_text


def told_apart(files: Sequence[Path]) -> tuple[Path, list[Path]]:
    """The image, and the label lists.

    Raises:
        SimkitError: there is no image, or there are several.
    """
    content = {file: read_bounded(file, MAX_FILE_BYTES, "file") for file in files}
    images = [file for file, data in content.items() if is_hex(data) or not is_text(data)]
    if len(images) != 1:
        names = ", ".join(file.name for file in (images or files))
        raise SimkitError(
            f"{names}: {'several images' if images else 'no image'}.",
            remedy="Drop one image, raw or a hex file, and label lists of it if there are any.",
        )
    return images[0], [file for file in files if file not in images]
