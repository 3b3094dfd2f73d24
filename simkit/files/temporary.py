"""A folder that is there for a while."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from simkit.contract.errors import file_error


@contextmanager
def temporary_folder() -> Iterator[Path]:
    """A new folder of this user's alone, links followed; it goes with all that is in it.

    Raises:
        FileError: the system does not let it be made.
    """
    try:
        made = TemporaryDirectory(prefix="simkit-", ignore_cleanup_errors=True)
    except OSError as error:
        raise file_error(f"No temporary folder can be made: {error.strerror}.", error) from error
    with made as folder:
        yield Path(folder).resolve()
