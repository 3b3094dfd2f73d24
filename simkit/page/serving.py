"""Serves a page on this computer alone, to be looked at before it is put on a web host."""

from __future__ import annotations

import http.server
from functools import partial
from pathlib import Path
from typing import Any

from simkit.contract.errors import SimkitError, file_error

LOOPBACK = "127.0.0.1"
TYPES = {".mjs": "text/javascript", ".js": "text/javascript", ".wasm": "application/wasm", ".kit": "application/zip"}
"""Media types that not every system knows by the ending (IANA, Media Types; RFC 9239 for JavaScript)."""


class _Handler(http.server.SimpleHTTPRequestHandler):
    extensions_map = {**http.server.SimpleHTTPRequestHandler.extensions_map, **TYPES}  # noqa: RUF012 - as in its base

    def end_headers(self) -> None:
        """As the base does; a page that was built anew is not to be taken from the browser's memory."""
        self.send_header("Cache-Control", "no-cache")
        super().end_headers()

    def log_message(self, format: str, *arguments: Any) -> None:
        """Say nothing of each request."""


def server(folder: Path, port: int) -> http.server.ThreadingHTTPServer:
    """A server for a folder on this computer; `serve_forever` has it serve.

    Args:
        folder: to serve.
        port: 0 for a free one.

    Raises:
        FileError: the port cannot be had.
        SimkitError: it is taken.
    """
    try:
        return http.server.ThreadingHTTPServer((LOOPBACK, port), partial(_Handler, directory=str(folder)))
    except OverflowError as error:
        raise SimkitError(f"There is no port {port}.", remedy="Give 0 to 65535.") from error
    except OSError as error:
        message = f"The port {port} of this computer cannot be had: {error.strerror}."
        raise file_error(message, error, remedy="Choose another one with --port, or none.") from error
