"""A PS/2 keyboard without its line: keys, self-test, repeat, its own buffer, and the host's commands.

Time is counted in microseconds of the keyboard's own resonator. Whoever owns the device asks `due()` for the next
moment at which it does something by itself and calls `run`; codes leave through `next_code` and `sent`.

Left out: scan code sets 1 and 3 (the choice is acknowledged and read back, the codes stay those of set 2), key
debouncing, indicators lighting during the self-test.

Sources:
    [AT] IBM, Technical Reference, Personal Computer AT (5170), 1984, pp. 4-3, 4-4, 4-7: buffer, typematic.
    [XT] IBM, Technical Reference, Personal Computer XT (5160), 1986, pp. 4-24 to 4-27: 101/102-key board, self-test.
    [EMC] EMC, EKK8011 product specification V1.0, 2003, section 6.1.5, p. 9: commands, invalid bytes.
    [HPC] D. Jurgens, HelpPC 2.10, 1991, Keyboard Commands and Responses.
    [BR] A. Brouwer, Keyboard scancodes, 9.1 to 9.6.
    [EDP] List of host commands in an electronics newsgroup, "key commands": default and disable (F5), resend.
    F6, F7 to FD: from memory.
"""

from __future__ import annotations

import attrs

from simkit.contract import BYTE, FLAG, MOMENT, StateError, choice, many, optional, remembers, saved, table, whole
from simkit_cards.ps2.scan_codes import KEY_BY_NAME, OVERRUN, sequences

BUFFER_BYTES = 16  # [AT] p. 4-3, [XT] p. 4-24
SELF_TEST_PASSED = 0xAA  # [XT] p. 4-25
SELF_TEST_FAILED = 0xFC  # [XT] p. 4-26
ACKNOWLEDGE = 0xFA
RESEND = 0xFE
ECHO = 0xEE
IDENTITY = (0xAB, 0x83)  # [BR] 9.3, AB first
DEFAULT_TYPEMATIC = 0x2B  # 500 ms, 10.9 characters a second: [XT] p. 4-24 as an argument by [AT] p. 4-7
NUM_LOCK_LAMP = 0x02  # [HPC], argument of ED

_WITH_ARGUMENT = (0xED, 0xF0, 0xF3)

_KEY = choice(*KEY_BY_NAME)


def typematic_us(argument: int) -> tuple[int, int]:
    """Delay and period of the repeat in microseconds, for the argument of command F3.

    Source: [AT] p. 4-7: delay (1 + d) x 250 ms; period (8 + A) x 2^B x 0.00417 s; both +/-20 % on real boards.
    """
    delay = (1 + (argument >> 5 & 3)) * 250_000
    period = (8 + (argument & 7)) * (1 << (argument >> 3 & 3)) * 4_170
    return delay, period


@attrs.frozen(kw_only=True)
class Ps2Traits:
    """What sort of keyboard it is.

    Attributes:
        self_test_us: from power-on, or from the acknowledge of a reset, to the end of the self-test.
        self_test_passes: AA or FC.
        silent: has no PS/2 mode at all: never sends (a USB-only board on a passive adapter).
        acknowledges: at power-up it sends FA over and over, with even parity, until the host sends a command.
        typematic: argument of F3 at power-up.
        repeats_sequences: a code of several bytes that the host broke off is sent again from its first byte.
        chords: sets of keys of which the one pressed last is not reported (matrix blocking).
    """

    self_test_us: int = 500_000
    self_test_passes: bool = True
    silent: bool = False
    acknowledges: bool = False
    typematic: int = DEFAULT_TYPEMATIC
    repeats_sequences: bool = False
    chords: tuple[frozenset[str], ...] = ()


@remembers
class Ps2Device:
    """The keyboard's controller.

    Attributes:
        traits: what sort of keyboard it is.
        lamps: argument of the last ED.
        scanning: whether keys are looked at.
    """

    lamps: int = saved(BYTE)
    scanning: bool = saved(FLAG)
    _down: list[str] = saved(many(_KEY))
    _breaks: dict[str, bytes] = saved(table(many(BYTE).into(bytes), KEY_BY_NAME))
    _buffer: list[int] = saved(many(BYTE))
    _lengths: list[int] = saved(many(whole(1, 0xFF)))  # bytes left in the buffer of each sequence, the oldest first
    _gone: list[int] = saved(many(BYTE))  # bytes of the oldest that have been sent already
    _replies: list[int] = saved(many(BYTE))
    _last_sent: int = saved(BYTE)
    _awaits: int = saved(BYTE)  # command whose argument is awaited
    _reset_after_reply: bool = saved(FLAG)
    _nagging: bool = saved(FLAG)
    _typematic: int = saved(BYTE)
    _scan_set: int = saved(BYTE)
    _repeating: str = saved(choice("", *KEY_BY_NAME))
    _repeat_at: int | None = saved(optional(MOMENT))
    _self_test_ends: int | None = saved(optional(MOMENT))

    def __init__(self, traits: Ps2Traits) -> None:
        self.traits = traits
        self.power_on(0)

    def power_on(self, now: int) -> None:
        """Power comes up: everything forgotten, self-test begun."""
        self.lamps = 0
        self.scanning = False
        self._down = []
        self._breaks = {}
        self._buffer = []
        self._lengths = []
        self._gone = []
        self._replies = []
        self._last_sent = 0
        self._awaits = 0
        self._reset_after_reply = False
        self._nagging = self.traits.acknowledges
        self._defaults()
        self._begin_self_test(now)

    def _defaults(self) -> None:
        self._typematic = self.traits.typematic
        self._scan_set = 2
        self._stop_repeat()

    def _begin_self_test(self, now: int) -> None:
        self.scanning = False
        self.lamps = 0
        self._forget_codes()
        self._replies.clear()
        self._breaks.clear()
        self._defaults()
        self._self_test_ends = now + self.traits.self_test_us

    def _stop_repeat(self) -> None:
        self._repeating = ""
        self._repeat_at = None

    # keys -----------------------------------------------------------------------------------------------------------

    def press(self, name: str, now: int) -> None:
        """A key goes down. While the board does not scan, it is not reported, now or later."""
        if name in self._down:
            return
        held = frozenset(self._down)
        self._down.append(name)
        if not self.scanning or any(name in chord and chord <= held | {name} for chord in self.traits.chords):
            return
        make, break_ = sequences(name, held, bool(self.lamps & NUM_LOCK_LAMP))
        self._breaks[name] = break_
        self._put(make)
        self._stop_repeat()
        if name != "pause":  # Pause does not repeat. [XT] p. 4-24
            self._repeating = name
            self._repeat_at = now + typematic_us(self._typematic)[0]

    def release(self, name: str, now: int) -> None:
        """A key comes up; only the key pressed last repeats, and its release ends the repeat. [AT] p. 4-4."""
        if name not in self._down:
            return
        self._down.remove(name)
        if name == self._repeating:
            self._stop_repeat()
        break_ = self._breaks.pop(name, b"")
        if self.scanning:
            self._put(break_)

    @property
    def held(self) -> tuple[str, ...]:
        """Keys that are down, in the order pressed."""
        return tuple(self._down)

    @property
    def overran(self) -> bool:
        """Whether the newest code is the one that stands for keys that found no place."""
        return self._buffer[-1:] == [OVERRUN]

    def _put(self, codes: bytes) -> None:
        """Store a sequence whole, or the overrun code in the seventeenth place. [AT] p. 4-3, [XT] p. 4-24."""
        if not codes:
            return
        kept = len(self._gone) if self.traits.repeats_sequences else 0
        if len(self._buffer) + kept + len(codes) <= BUFFER_BYTES:
            self._buffer.extend(codes)
            self._lengths.append(len(codes))
        elif not self.overran:
            self._buffer.append(OVERRUN)
            self._lengths.append(1)

    def _forget_codes(self) -> None:
        self._buffer.clear()
        self._lengths.clear()
        self._gone.clear()

    # what it does by itself -----------------------------------------------------------------------------------------

    def due(self) -> int | None:
        """Next moment at which it does something by itself, None for never."""
        if self.traits.silent:
            return None
        moments = [moment for moment in (self._self_test_ends, self._repeat_at) if moment is not None]
        return min(moments, default=None)

    def run(self, now: int, inhibited: bool) -> None:
        """Do what is due: end the self-test, repeat a key.

        Args:
            now: microseconds.
            inhibited: the host holds the line; a held key then stores only its first make. [AT] p. 4-4
        """
        if self._self_test_ends is not None and self._self_test_ends <= now:
            self._self_test_ends = None
            self.scanning = self.traits.self_test_passes
            self._replies.append(SELF_TEST_PASSED if self.traits.self_test_passes else SELF_TEST_FAILED)
        while self._repeat_at is not None and self._repeat_at <= now:
            self._repeat_at += typematic_us(self._typematic)[1]
            if not inhibited and not self._buffer:
                held = frozenset(self._down) - {self._repeating}
                self._put(sequences(self._repeating, held, bool(self.lamps & NUM_LOCK_LAMP))[0])

    @property
    def self_test_ends(self) -> int | None:
        """Moment the self-test under way ends, or None."""
        return self._self_test_ends

    # codes out ------------------------------------------------------------------------------------------------------

    def next_code(self) -> int | None:
        """Code it wants to send next; replies go before keys and take no place in the buffer. [XT] p. 4-24."""
        if self.traits.silent or self._self_test_ends is not None:
            return None
        if self._replies:
            return self._replies[0]
        if self._nagging:
            return ACKNOWLEDGE
        return self._buffer[0] if self._buffer else None

    @property
    def wrong_parity(self) -> bool:
        """Whether what it sends now has even parity."""
        return self._nagging and not self._replies

    def sent(self, now: int) -> None:
        """The code of `next_code` has gone out whole."""
        code = self.next_code()
        assert code is not None
        if self._replies:
            self._replies.pop(0)
        elif not self._nagging:
            self._gone.append(self._buffer.pop(0))
            self._lengths[0] -= 1
            if not self._lengths[0]:
                self._lengths.pop(0)
                self._gone.clear()
        if code != RESEND:
            self._last_sent = code
        if self._reset_after_reply and not self._replies:
            self._reset_after_reply = False
            self._begin_self_test(now)

    def broken_off(self) -> None:
        """The host stopped the code of `next_code`: it comes again, or its sequence from the beginning."""
        if self.traits.repeats_sequences and not self._replies and not self._nagging and self._gone:
            self._buffer[:0] = self._gone
            self._lengths[0] += len(self._gone)
            self._gone.clear()

    # commands in ----------------------------------------------------------------------------------------------------

    def command(self, byte: int, now: int) -> None:
        """A byte from the host has arrived whole. [EMC] p. 9, [HPC], [AT] p. 4-7."""
        if self.traits.silent or self._self_test_ends is not None:
            return  # ignores activity on the lines during the self-test: [XT] p. 4-25
        self._nagging = False
        awaits, self._awaits = self._awaits, 0
        if awaits and byte < 0x80:
            self._argument(awaits, byte)
            return
        if byte == ECHO:
            self._replies.append(ECHO)
        elif byte == RESEND:
            self._replies.insert(0, self._last_sent)
        elif byte < 0xED or byte in (0xEF, 0xF1):
            self._replies.append(RESEND)
        else:
            self._replies.append(ACKNOWLEDGE)
            self._carry_out(byte)

    def bad_command(self) -> None:
        """A frame from the host was faulty: ask for it again. [EMC] p. 9."""
        if not self.traits.silent and self._self_test_ends is None:
            self._replies.append(RESEND)

    def _carry_out(self, byte: int) -> None:
        if byte in _WITH_ARGUMENT:
            self._awaits = byte
        elif byte == 0xF2:
            self._replies.extend(IDENTITY)
        elif byte == 0xF4:
            self._forget_codes()
            self.scanning = True
        elif byte == 0xF5:
            self._forget_codes()
            self._defaults()
            self.scanning = False
        elif byte == 0xF6:
            self._forget_codes()
            self._defaults()
        elif byte == 0xFF:
            self._reset_after_reply = True

    def _argument(self, command: int, byte: int) -> None:
        self._replies.append(ACKNOWLEDGE)
        if command == 0xED:
            self.lamps = byte & 7
        elif command == 0xF3:
            self._typematic = byte
        elif byte == 0:
            self._replies.append(self._scan_set)
        else:
            self._forget_codes()
            self._stop_repeat()
            self._scan_set = byte

    # state ----------------------------------------------------------------------------------------------------------

    def check_state(self) -> None:
        """The sequences fill the buffer, and a key repeats when the next moment of it is known."""
        if sum(self._lengths) != len(self._buffer) or (self._gone and not self._lengths):
            raise StateError("lengths", "of the sequences do not fill the buffer")
        if self._repeat_at is not None and not self._repeating:
            raise StateError("repeating", "names no key, but a repeat is due")
