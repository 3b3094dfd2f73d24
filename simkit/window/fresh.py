"""What changed files give to an open window."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import attrs

if TYPE_CHECKING:
    from simkit.hands.controls import Controls
    from simkit.machine.machine import Machine


@attrs.frozen(kw_only=True)
class Fresh:
    """What was loaded anew. With nothing in it: what was wrong is mended, and all is as it was loaded.

    Attributes:
        machine: switched on; None: the old one goes on.
        controls: which key is which; None: as before.
    """

    machine: Machine | None = None
    controls: Controls | None = None


Reload = Callable[[], Fresh | None]
"""Asked twice a second: None while nothing has changed. Raises what is wrong with the files that have."""
