"""One input: the files of a folder, and what is done with them."""

from __future__ import annotations

import base64
import contextlib
import json
import os
import shutil
from pathlib import Path
from typing import Any

import attrs

FIFO, FOLDER, LINK = "fifo", "folder", "link"


@attrs.frozen
class Special:
    """What is no regular file: a named pipe, a folder, a link with where it leads."""

    kind: str
    target: str = ""


Content = bytes | Special


@attrs.frozen(kw_only=True)
class Sample:
    """An input.

    Attributes:
        call: what is done: "command" for a command line, else a name in calls.CALLS.
        files: content by path in the working folder, in the order in which they are laid out.
        argv: words of the command line, or arguments of the call.
        stdin: what a process finds on standard input; None: nothing, at its end.
    """

    call: str
    files: dict[str, Content] = attrs.field(factory=dict)
    argv: tuple[str, ...] = ()
    stdin: bytes | None = None

    def lay_out(self, folder: Path) -> None:
        """Make the folder hold these files and no others; a name that the file system refuses is left out."""
        for path in folder.iterdir():
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path)
            else:
                path.unlink()
        for name, content in self.files.items():
            path = folder / name
            with contextlib.suppress(OSError, ValueError):
                path.parent.mkdir(parents=True, exist_ok=True)
                if isinstance(content, bytes):
                    path.write_bytes(content)
                elif content.kind == FOLDER:
                    path.mkdir(parents=True, exist_ok=True)
                elif content.kind == LINK:
                    path.symlink_to(content.target)
                elif hasattr(os, "mkfifo"):
                    os.mkfifo(path)

    def to_text(self) -> str:
        """As JSON, for a file in the folder `found`."""
        return json.dumps(
            {
                "call": self.call,
                "argv": list(self.argv),
                "files": {name: _shown(content) for name, content in self.files.items()},
                **({"stdin": _shown(self.stdin)} if self.stdin is not None else {}),
            },
            indent=1,
        )

    @classmethod
    def of_text(cls, text: str) -> Sample:
        """What `to_text` wrote."""
        data = json.loads(text)
        files = {name: _content(shown) for name, shown in data["files"].items()}
        stdin = _content(data["stdin"]) if "stdin" in data else None
        assert not isinstance(stdin, Special)
        return cls(call=data["call"], argv=tuple(data["argv"]), files=files, stdin=stdin)


def _shown(content: Content) -> Any:
    if isinstance(content, Special):
        return {content.kind: content.target}
    with contextlib.suppress(UnicodeDecodeError):
        text = content.decode()
        if all(character.isprintable() or character in "\n\t" for character in text):
            return {"lines": text.split("\n")}
    return {"base64": base64.b64encode(content).decode()}


def _content(shown: dict[str, Any]) -> Content:
    ((kind, value),) = shown.items()
    if kind == "lines":
        return "\n".join(value).encode()
    return base64.b64decode(value) if kind == "base64" else Special(kind, value)
