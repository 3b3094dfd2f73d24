"""What is said of a file that is no kit, or none that can be trusted."""

from __future__ import annotations

from simkit.contract.errors import SimkitError


class KitError(SimkitError):
    """The file is no kit, is damaged, or was made to do harm."""


def damaged(file: str, what: str) -> KitError:
    """An error about a kit that is not as `simkit pack` writes them: "The kit is damaged: ..."."""
    return KitError(f"The kit is damaged: {what}.", file=file, remedy="Get it again from whoever packed it.")
