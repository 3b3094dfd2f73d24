"""What a contract test could put to the test and what not: nothing is blessed in silence.

Each entry is a thing with the reason it was missed; a thing that any run exercised is not told as missed.
"""

from __future__ import annotations

from simkit.contract.card import Card
from simkit.contract.lines import Drive
from simkit.contract.ports import ButtonsPort, KeysPort, LampsPort, PadsPort, ScreenPort, SerialPort
from simkit.testing.contract.ledger import Ledger
from simkit.testing.contract.script import LAST_EVENTS, TAIL_CYCLES
from simkit.testing.contract.witness import WitnessBench

KNOWN_PORTS = (ButtonsPort, KeysPort, LampsPort, PadsPort, ScreenPort, SerialPort)
INPUT_PORTS = (ButtonsPort, KeysPort, PadsPort, SerialPort)


def note_exercise(ledger: Ledger, bench: WitnessBench, *, promised: bool) -> None:
    """Take over from a bench whose script is over what it exercised.

    Args:
        ledger: where it goes.
        bench: the bench.
        promised: whether the card promised a register steady on the way.
    """
    card = bench.card
    pins = bench.connector.pins
    ports = bench.connector.ports
    calls = {
        "pin_changed": ("no pin listens", any(pins[name].spec.listens for name in bench.joined_pins)),
        "event": ("nothing was armed", bool(bench.fired)),
        "outside": ("no port takes anything", any(isinstance(port, INPUT_PORTS) for port in ports.values())),
        "steady_until": ("it promised nothing", promised),
        "wait_cycles": ("it delayed no access", any(bench.waits())),
        "unfinished": ("nothing was ever begun", bench.was_unfinished),
        "pin_followed": ("no pin has a lazy_level", bench.had_lazy_level),
    }
    for name, (reason, done) in calls.items():
        if getattr(type(card), name) is not getattr(Card, name):
            ledger.note(f"{name} ({reason})", done=done)
    for name in bench.armed:
        ledger.note(
            f"event {name!r} (armed, but not due in {TAIL_CYCLES} cycles or {LAST_EVENTS} events)",
            done=name in bench.fired,
        )
    for name, pin in pins.items():
        if pin.spec.drive is not Drive.INPUT and not pin.spec.cable:
            ledger.note(f"pin {name} (the card never moved it)", done=name in bench.moved or pin.lazy_level is not None)
    for name, port in ports.items():
        if not isinstance(port, KNOWN_PORTS):
            ledger.note(f"port {name!r} (a {type(port).__name__}, a kind that the test does not know)", done=False)
