"""Text from the host's clipboard."""

from __future__ import annotations

import pygame

from simkit.contract.errors import SimkitError

MAX_CHARACTERS = 20_000


def clipboard_text() -> str:
    """Text on the clipboard, with lines ended by newlines.

    Raises:
        SimkitError: there is none, or it is longer than MAX_CHARACTERS.
    """
    try:
        if hasattr(pygame.scrap, "get_text"):  # the community edition
            text = str(pygame.scrap.get_text())
        else:
            if not pygame.scrap.get_init():
                pygame.scrap.init()
            found = pygame.scrap.get("text/plain;charset=utf-8") or pygame.scrap.get(pygame.SCRAP_TEXT) or b""
            text = found.decode("utf-8", "replace")
    except pygame.error as error:
        raise SimkitError(f"The clipboard cannot be read: {error}.", remedy="Type it instead.") from error
    text = text.replace("\0", "").replace("\r\n", "\n").replace("\r", "\n")
    if not text:
        raise SimkitError("The clipboard holds no text.", remedy="Copy some text first.")
    if len(text) > MAX_CHARACTERS:
        raise SimkitError(
            f"The clipboard holds {len(text)} characters; up to {MAX_CHARACTERS} are typed.",
            remedy="Copy less at a time.",
        )
    return text
