"""Settings of a PS/2 keyboard that every card with one shares."""

from __future__ import annotations

import attrs

from simkit.contract import SimkitError, near, setting
from simkit_cards.ps2.device import DEFAULT_TYPEMATIC, Ps2Traits
from simkit_cards.ps2.frame import BIT_US, BIT_US_LIMITS
from simkit_cards.ps2.scan_codes import KEY_BY_NAME


@attrs.frozen(kw_only=True)
class Ps2Settings:
    """Which keyboard hangs on the board, and how fast it speaks."""

    bit_us: int = setting(
        BIT_US, unit="us", low=BIT_US_LIMITS[0], high=BIT_US_LIMITS[1], help="keyboard's clock period, 60 to 100"
    )
    byte_gap_us: int = setting(200, unit="us", low=50, high=20_000, help="from the end of a frame to the next")
    self_test_ms: int = setting(500, unit="ms", low=1, high=10_000, help="keyboard's self-test at power-up, 300 to 750")
    self_test_passes: bool = setting(True, help="the keyboard sends AA, or FC and then nothing")
    silent: bool = setting(False, help="a keyboard without PS/2 mode on a passive adapter: never sends")
    acknowledges: bool = setting(False, help="a keyboard that sends FA with wrong parity until it gets a command")
    typematic: int = setting(DEFAULT_TYPEMATIC, low=0, high=127, help="repeat delay and rate as the argument of F3")
    blocked_chords: str = setting("", help='keys that hide the last of them, e.g. "up+left+space; a+s+d"')


def device_traits(settings: Ps2Settings, slot: int) -> Ps2Traits:
    """The keyboard that the settings describe.

    Raises:
        SimkitError: a chord names a key that does not exist.
    """
    chords = []
    for chord in filter(None, (part.strip() for part in settings.blocked_chords.split(";"))):
        names = frozenset(name.strip() for name in chord.split("+"))
        for name in sorted(names):
            if name not in KEY_BY_NAME:
                raise SimkitError(
                    f"{name!r} is not a key.", slot=slot, field="blocked_chords", remedy=near(name, KEY_BY_NAME)
                )
        chords.append(names)
    return Ps2Traits(
        self_test_us=settings.self_test_ms * 1000,
        self_test_passes=settings.self_test_passes,
        silent=settings.silent,
        acknowledges=settings.acknowledges,
        typematic=settings.typematic,
        chords=tuple(chords),
    )
