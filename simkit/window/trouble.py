"""What went wrong, for the strip that stays: whatever a machine's files or cards raised, in words with its place."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from simkit.contract.errors import SimkitError

_KIT = Path(__file__).parent.parent
_IMPORTING = "<frozen importlib"


def ends_the_run(error: BaseException) -> bool:
    """Whether it is no trouble but the end: Ctrl-C, or what the kit itself raises to answer a signal."""
    if isinstance(error, Exception):
        return False
    return isinstance(error, KeyboardInterrupt) or all(_is_kit(file) for file, _ in list(_frames(error))[-1:])


def trouble_words(error: BaseException) -> str:
    """An error in words: what, with file and line where the kit last called code that is not its own."""
    if isinstance(error, SimkitError):
        return str(error)
    text = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    in_kit, where = True, ""
    for file, line in _frames(error):
        if in_kit and not _is_kit(file):
            where = f"{file}:{line}: "
        in_kit = _is_kit(file)
    return where + text


def _frames(error: BaseException) -> Iterator[tuple[str, int]]:
    """File and line of every call that led to the error, the outermost first."""
    step = error.__traceback__
    while step is not None:
        yield step.tb_frame.f_code.co_filename, step.tb_lineno
        step = step.tb_next


def _is_kit(file: str) -> bool:
    return file.startswith(_IMPORTING) or _KIT in Path(file).parents
