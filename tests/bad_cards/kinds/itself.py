"""Bad cards that change what they are."""

from simkit.contract import PlainMemory
from tests.bad_cards.kinds.sound import Sound, bad


@bad(": read ", "raised TypeError")
class ThrowsAMethodAway(Sound):
    def event(self, name, cycle):
        self.read = None


@bad(": read ", "raised SystemExit")
class ReplacesAMethod(Sound):
    def event(self, name, cycle):
        def leave(offset, cycle):
            raise SystemExit(0)

        self.read = leave


@bad(": write ", "raised BufferError")
class ChangesTheSizeOfItsMemory(Sound):
    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        self.memory = bytearray(256)

    def plain_memory(self):
        return PlainMemory(self.memory, None)

    def write(self, offset, value, cycle):
        self.memory.extend(bytes(256))


@bad(": write ", "raised ValueError", "released memoryview")
class LetsGoOfItsMemory(Sound):
    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        self.memory = slot.memory(256)

    def plain_memory(self):
        return PlainMemory(self.memory, None)

    def write(self, offset, value, cycle):
        self.memory.release()
        self.memory[0] = value


@bad(": read ", "raised SystemExit")
class CannotBeLookedAt(Sound):
    def __getattribute__(self, name):
        if name == "read":
            raise SystemExit(0)
        return super().__getattribute__(name)


@bad("raised SystemExit", at="class")
class IsEqualToNothing(Sound):
    """Compared with a set of its own, so that Python asks for its hash."""

    def __hash__(self):
        raise SystemExit(0)

    def plain_memory(self):
        return {self: 1}


@bad("the lazy_level of pin TONE in cycle 200 raised ZeroDivisionError")
class SwallowsAFailure(Sound):
    """What one part of it raises the other catches: the failure is told all the same."""

    def tone(self, cycle):
        return cycle // 0

    def event(self, name, cycle):
        try:
            self.slot.pin("TONE").level(cycle)
        except Exception:  # noqa: BLE001 - that is what is wrong with it
            super().event(name, cycle)
