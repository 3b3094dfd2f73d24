"""What is sent to whoever runs candidates: pickled, with the code of cards that no package holds.

A card of `file:` is a class of a module that only the process knows which has read the machine file. It is sent as the
text of its file; who unpacks it runs that text.
"""

from __future__ import annotations

import io
import pickle
import zlib
from functools import lru_cache
from operator import attrgetter
from typing import Any

from simkit.machinefile.catalogue import FileModule


def packed(what: object) -> bytes:
    """Something as bytes.

    Raises:
        SimkitError: the file of a card can no longer be read.
    """
    buffer = io.BytesIO()
    _Pickler(buffer, pickle.HIGHEST_PROTOCOL).dump(what)
    return zlib.compress(buffer.getvalue(), 1)  # tables of addresses become a hundredth


@lru_cache(maxsize=4)
def unpacked(sent: bytes) -> Any:
    """What was sent with each piece of the work, unpacked once in a process."""
    return pickle.loads(zlib.decompress(sent))


class _Pickler(pickle.Pickler):
    def reducer_override(self, found: Any) -> Any:
        if isinstance(found, type):
            module = FileModule.of(found)
            if module is not None:
                return _class_of, (module, found.__qualname__)
        return NotImplemented


def _class_of(module: FileModule, name: str) -> Any:
    return attrgetter(name)(_loaded(module))


@lru_cache(maxsize=32)
def _loaded(module: FileModule) -> Any:
    return module.load()
