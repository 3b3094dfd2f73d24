"""Bad cards whose classes say of themselves what cannot be, or that cannot be made."""

from fractions import Fraction

import attrs

from simkit.contract import Drive, LampsPort, PinSpec, Register, setting
from tests.bad_cards.kinds.sound import Sound, bad, spoiled


def saying(name, value, *words, suffix):
    """A card whose class says something of itself."""
    plain = ("kind", "model", "Settings", "title", "faithful_to", "own_phi2", "winning_strobe")
    said = value if name in plain else classmethod(lambda cls, settings: value)
    title = f"Says{name.title().replace('_', '')}{suffix}"
    cls = spoiled(globals(), title, __doc__=f"{name} says {suffix}.", **{name: said})
    return bad(*words, at="class")(cls)


saying("registers", None, "registers gave None", suffix="None")
saying("registers", [1], "registers gave 1, which is no Register", suffix="Numbers")
saying("registers", (Register("0", "a", "r"),), "offset = '0'", suffix="AnOffsetThatIsAText")
saying("registers", (Register(0, "a", "r", driven=512),), "driven = 512", suffix="TooManyBits")
saying("pins", "INT", "pins gave 'INT'", suffix="AText")
saying("pins", (PinSpec(name="A", drive=Drive.INPUT),) * 2, "two pins called 'A'", suffix="ANameTwice")
saying("address_pins", -1, "address_pins gave -1", suffix="MinusOne")
saying("address_pins", "three", "address_pins gave 'three'", suffix="AText")
saying("image_size", -5, "image_size gave -5", suffix="MinusFive")
saying("kind", 5, "has kind = 5", suffix="ANumber")
saying("model", "new", "has model = 'new'", suffix="AText")
saying("title", 7, "has title = 7", suffix="ANumber")
saying("own_phi2", "yes", "has own_phi2 = 'yes'", suffix="AText")
saying("winning_strobe", "OE", "has winning_strobe = 'OE'", suffix="APin")
saying("Settings", object, "has Settings = ", suffix="NoSettings")


@bad("registers raised ZeroDivisionError", at="class")
class RegistersRaise(Sound):
    @classmethod
    def registers(cls, settings):
        return (Register(1 // 0, "a", "r"),)


@bad("registers raised SystemExit", at="class")
class RegistersExit(Sound):
    @classmethod
    def registers(cls, settings):
        raise SystemExit(0)


@bad("registers raised SimkitError: Register 'a' has write_effect", "Leave write_effect out", at="class")
class HasAnEffectThatCannotBe(Sound):
    @classmethod
    def registers(cls, settings):
        return (Register(0, "a", "r", write_effect="rings"),)


@attrs.frozen(kw_only=True)
class SettingsThatRaise:
    divisor: int = setting(0, help="a divisor")

    def __attrs_post_init__(self):
        1 // self.divisor


@bad("Settings raised ZeroDivisionError", at="class")
class HasSettingsThatRaise(Sound):
    Settings = SettingsThatRaise


@bad("has a __del__", at="class")
class ClearsUp(Sound):
    def __del__(self):
        raise SystemExit(0)


@bad("__init__ raised", "raised AttributeError", at="class")
class ForgetsTheBase(Sound):
    def __init__(self, settings, slot):
        self.slot.pin("INT")


@bad("__init__", "asked for its pin 'INTT'", "Did you mean 'INT'", at="class")
class WantsAPinThatIsNotThere(Sound):
    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        slot.pin("INTT")


@bad("__init__", "opened 5, which is no port", at="class")
class OpensANumber(Sound):
    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        slot.port(5)


@bad("power_on", "opened port 'late' when it was made already")
class OpensAPortLate(Sound):
    def power_on(self, cycle):
        self.slot.port(LampsPort("late", ("a",), self.levels))


@bad("opened port 'screen' with frame_cycles = Fraction(0, 1)", at="class")
class HasFramesWithoutLength(Sound):
    def screen_port(self):
        port = super().screen_port()
        port.frame_cycles = Fraction(0)
        return port


@bad("opened port 'screen' with pixels = None", at="class")
class HasNoPicture(Sound):
    def screen_port(self):
        port = super().screen_port()
        port.pixels = None
        return port


@bad("__init__", "asked for -1 bytes of memory", at="class")
class WantsNegativeMemory(Sound):
    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        slot.memory(-1)


@bad("__init__", "bytes of memory", at="class")
class WantsAllMemory(Sound):
    def __init__(self, settings, slot):
        super().__init__(settings, slot)
        slot.memory(1 << 50)
