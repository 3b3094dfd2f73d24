"""The serial line between a keyboard and the controller of its card, frame by frame.

Frames take their real time; the receiver takes bits, so that a controller reset in the middle of a frame counts wrong
until the line has been idle for a while. Faults of builders' receivers are settings of the card.

Left out: a host command that cuts into a frame (the card waits for its end); see the bit-level keyboard for that.

Sources: see ps2/frame.py; request to send 100 us: A. Chapweske, The PS/2 Mouse/Keyboard Protocol, 2003.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import attrs

from simkit.contract import BIT, COUNT, MOMENT, PART, Slot, StateError, many, optional, remembers, saved, whole
from simkit_cards.ps2.device import Ps2Device
from simkit_cards.ps2.frame import FRAME_BITS, FrameReceiver, fall_us, frame_of, frame_us

REQUEST_US = 100  # host holds the clock low before a command


@attrs.frozen(kw_only=True)
class LineTraits:
    """Speed of the line and what goes wrong on it.

    Attributes:
        bit_us: clock period.
        gap_us: from the end of a frame to the start of the next.
        idle_us: idle time after which the receiver starts counting afresh; 0: never.
        parity_faults: chance that a frame arrives with one data bit wrong.
        lost_frames: chance that a frame is not seen at all.
        changing_data: bits are taken while the data line changes: each is the old or the new one.
    """

    bit_us: int
    gap_us: int
    idle_us: int
    parity_faults: float
    lost_frames: float
    changing_data: bool


@remembers
class KeyboardLine:
    """Carries codes from the device to the controller, and commands back.

    Attributes:
        device: the keyboard.
        frames: frames it has sent since power-on.

    Args:
        slot: for crystal, events and chance.
        device: the keyboard.
        traits: speed and faults.
        held: held() -> whether the controller holds the clock low.
        begins: begins(falls, cycle) is told the machine cycles in which a frame's clock falls, as the frame begins.
        receive: receive(byte, good, cycle) is told of every eleven bits.
    """

    EVENTS = ("device", "frame", "byte", "frame end", "command")

    device: Ps2Device = saved(PART)
    _receiver: FrameReceiver = saved(
        many(BIT)
        .that(lambda bits: len(bits) < FRAME_BITS, f"holds a whole frame of {FRAME_BITS} bits")
        .into(FrameReceiver, lambda receiver: receiver.bits)
    )
    _started: int | None = saved(optional(MOMENT))  # microsecond in which the frame under way began
    _bits: tuple[int, ...] = saved(
        many(BIT)
        .that(lambda bits: len(bits) in (0, FRAME_BITS), f"are not the {FRAME_BITS} bits of a frame, or none")
        .into(tuple)
    )
    _taken: int = saved(whole(0, FRAME_BITS))  # bits of it that the receiver has had
    _free_at: int = saved(MOMENT)  # the next frame may not begin before
    _last_fall: int = saved(MOMENT)
    _command: int = saved(whole(-1, 0xFF))
    frames: int = saved(COUNT)

    def __init__(
        self,
        slot: Slot,
        device: Ps2Device,
        traits: LineTraits,
        *,
        held: Callable[[], bool],
        begins: Callable[[list[int], int], None],
        receive: Callable[[int, bool, int], None],
    ) -> None:
        self.device = device
        self._slot = slot
        self._traits = traits
        self._held = held
        self._begins = begins
        self._receive = receive
        self._receiver = FrameReceiver()
        self._clock = slot.crystal(Fraction(1_000_000), "keyboard")
        self._started = None
        self._bits = ()
        self._taken = 0
        self._free_at = 0
        self._last_fall = 0
        self._command = -1
        self.frames = 0

    def power_on(self, cycle: int) -> None:
        """Power comes up."""
        self._receiver.bits.clear()
        self._started = None
        self._bits, self._taken, self._command = (), 0, -1
        self.frames = 0
        now = self._now(cycle)
        self._free_at = self._last_fall = now
        for name in self.EVENTS:
            self._slot.cancel(name)
        self.device.power_on(now)
        self._rearm(cycle)

    def forget_bits(self, cycle: int) -> None:
        """The receiver is reset; the frame under way goes on."""
        if self._started is not None:
            self._take_until(self._now(cycle), cycle)
        self._receiver.bits.clear()
        self._expect_byte(cycle)

    def key(self, action: str, name: str, cycle: int) -> None:
        """A key moves."""
        if action == "press":
            self.device.press(name, self._now(cycle))
        else:
            self.device.release(name, self._now(cycle))
        self._rearm(cycle)

    def command(self, byte: int, cycle: int) -> bool:
        """Send a byte to the keyboard; whether the line could take it on."""
        if self._command >= 0:
            return False
        self._command = byte
        start = max(self._now(cycle), self._free_at) + REQUEST_US
        self._free_at = start + frame_us(self._traits.bit_us) + self._traits.bit_us  # and its acknowledge bit
        self._arm("command", self._free_at, cycle)
        self._rearm(cycle)
        return True

    def self_test_end(self, cycle: int) -> int:
        """Cycle in which the self-test under way ends, or `cycle`."""
        ends = self.device.self_test_ends
        return cycle if ends is None else max(cycle, self._clock.first_cycle_at(ends) + 1)

    # events ---------------------------------------------------------------------------------------------------------

    def _now(self, cycle: int) -> int:
        return self._clock.ticks_at(cycle)

    def _arm(self, name: str, moment: int, cycle: int) -> None:
        """Arm an event for a moment, or for `cycle`, the present one, when that is over."""
        self._slot.at(max(cycle, self._clock.first_cycle_at(moment)), name)

    def look(self, cycle: int) -> None:
        """The controller may have let go of the clock."""
        self._rearm(cycle)

    def _rearm(self, cycle: int) -> None:
        due = self.device.due()
        if due is None:
            self._slot.cancel("device")
        else:
            self._arm("device", due, cycle)
        waits = self._started is None and self.device.next_code() is not None and not self._held()
        if waits and self._slot.armed("frame") is None:
            self._arm("frame", max(self._now(cycle) + 1, self._free_at), cycle)

    def event(self, name: str, cycle: int) -> None:
        """One of EVENTS is due."""
        now = self._now(cycle)
        if name == "device":
            self.device.run(now, self._held())
        elif name == "frame":
            self._begin(cycle)
        elif name == "byte":
            self._take_until(now, cycle)
        elif name == "frame end":
            self._take_until(now, cycle)
            self._started = None
            self.frames += 1
            self.device.sent(now)
        else:
            byte, self._command = self._command, -1
            self.device.command(byte, now)
        self._rearm(cycle)

    def _begin(self, cycle: int) -> None:
        code = self.device.next_code()
        if code is None or self._held() or self._started is not None:
            return
        traits = self._traits
        start = self._now(cycle)
        if start < self._free_at:
            self._arm("frame", self._free_at, cycle)
            return
        chance = self._slot.chance
        bits = list(frame_of(code, wrong_parity=self.device.wrong_parity))
        if chance("parity fault", start) < traits.parity_faults:
            bits[1 + int(chance("wrong bit", start) * 8)] ^= 1
        if traits.changing_data:
            line = [1, *bits]  # a bit is mixed with the one before, the first with the idle line
            bits = [line[n + (chance(f"changing {n}", start) < 0.5)] for n in range(FRAME_BITS)]
        self._started, self._taken = start, 0
        self._free_at = start + frame_us(traits.bit_us) + traits.gap_us
        self._arm("frame end", start + frame_us(traits.bit_us), cycle)
        if chance("lost frame", start) < traits.lost_frames:
            self._bits = ()
            return
        self._bits = tuple(bits)
        if traits.idle_us and start - self._last_fall > traits.idle_us:
            self._receiver.bits.clear()
        self._last_fall = fall_us(start, FRAME_BITS - 1, traits.bit_us)
        first = self._clock.first_cycle_at
        self._begins([first(fall_us(start, bit, traits.bit_us)) for bit in range(FRAME_BITS)], cycle)
        self._expect_byte(cycle)

    def _expect_byte(self, cycle: int) -> None:
        """Arm the clock edge that completes eleven bits, if this frame holds it."""
        self._slot.cancel("byte")
        if self._started is None or not self._bits:
            return
        last = self._taken + FRAME_BITS - len(self._receiver.bits) - 1
        if last < FRAME_BITS:
            self._arm("byte", fall_us(self._started, last, self._traits.bit_us), cycle)

    def _take_until(self, now: int, cycle: int) -> None:
        assert self._started is not None
        while self._taken < len(self._bits) and fall_us(self._started, self._taken, self._traits.bit_us) <= now:
            done = self._receiver.take(self._bits[self._taken])
            self._taken += 1
            if done is not None:
                self._receive(*done, cycle)

    # state ----------------------------------------------------------------------------------------------------------

    def check_state(self) -> None:
        """A frame under way carries a code of the keyboard."""
        if self._started is not None and self.device.next_code() is None:
            raise StateError("started", "says that a frame is under way, but the keyboard has no code to send")
