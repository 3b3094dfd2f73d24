"""The board round a 6522: its settings, registers and pins. Sources are listed in card.py."""

from __future__ import annotations

from functools import lru_cache

import attrs

from simkit.contract import Drive, PinSpec, Register, setting

FLAGS = ("CA2", "CA1", "SR", "CB2", "CB1", "T2", "T1")
"""Bits 0 to 6 of IFR and IER. [R] interrupt flag register."""
CA2, CA1, SR, CB2, CB1, T2, T1 = (1 << n for n in range(7))


@attrs.frozen(kw_only=True)
class Ports6522Settings:
    """The part in the socket and how its open pins behave."""

    irq_output: str = setting(
        "open-drain", one_of=("open-drain", "totem-pole"), help="INT output; a W65C22S drives both ways (from memory)"
    )
    one_shot: str = setting(
        "reload",
        one_of=("reload", "run-on"),
        also=("run-on",),
        help="what counter 1 does after a one-shot time-out: reload from the latch, or count on; sheets disagree",
    )
    timeout_during_read: str = setting(
        "flag-cleared",
        one_of=("flag-cleared", "flag-kept"),
        also=("flag-kept",),
        help="a read of T1C-L or T2C-L in the very cycle of the time-out; reports disagree",
    )
    pb7_needs_ddr: bool = setting(
        False, also=(True,), help="timer 1 drives PB7 only while DDRB7 is 1 too; sheets and reports differ"
    )
    pulse_flag: str = setting(
        "at-zero",
        one_of=("at-zero", "past-zero"),
        also=("past-zero",),
        help="pulses on PB6 set flag T2 as the count comes to 0, after N of them [WDC], or as it passes 0, after N + 1",
    )
    open_inputs: str = setting(
        "high",
        one_of=("high", "low", "noise"),
        also=("low", "noise"),
        help="what pins joined to nothing read; noise also moves control lines",
    )
    shift_defect_ns: int = setting(
        0,
        unit="ns",
        low=0,
        high=500,
        help="width of the window before PHI2 falls in which a rise of an outside shift clock is lost; 50 as measured",
    )
    cb1_resynchronised: bool = setting(False, help="a flip-flop on PHI2 stands before CB1: the shift defect is cured")


@lru_cache(maxsize=64)  # a machine asks at each offset whether a program may stand there
def board_registers(settings: Ports6522Settings) -> tuple[Register, ...]:
    """The sixteen registers, names as [R] prints them."""
    ifr = (*FLAGS, "IRQ")
    acr = ("PA_LATCH", "PB_LATCH", "SR_0", "SR_1", "SR_2", "T2_PULSES", "T1_FREE_RUN", "T1_PB7")
    pcr = ("CA1_RISING", "CA2_0", "CA2_1", "CA2_2", "CB1_RISING", "CB2_0", "CB2_1", "CB2_2")
    clears_a, clears_b = "clears CA1, and CA2 unless independent", "clears CB1, and CB2 unless independent"
    answers_a, answers_b = "starts a handshake or pulse on CA2", "starts a handshake or pulse on CB2"
    port_a, port_b = (tuple(f"P{port}{bit}" for bit in range(8)) for port in "AB")
    drives = "drives the pins that are outputs"
    turns = "makes the pins of its ones outputs, the others inputs"
    met = ", unless it is set in that very cycle" if settings.timeout_during_read == "flag-kept" else ""
    shifts = "clears SR and starts a byte, unless shifting is off or goes on for ever"
    return (
        Register(
            0x0,
            "ORB",
            "rw",
            bits=port_b,
            is_port=True,
            read_effect=clears_b,
            write_effect=f"{drives}, {clears_b}, and {answers_b}",
        ),
        Register(
            0x1,
            "ORA",
            "rw",
            bits=port_a,
            is_port=True,
            read_effect=f"{clears_a}, and {answers_a}",
            write_effect=f"{drives}, {clears_a}, and {answers_a}",
        ),
        Register(0x2, "DDRB", "rw", bits=port_b, is_port=True, write_effect=turns),
        Register(0x3, "DDRA", "rw", bits=port_a, is_port=True, write_effect=turns),
        Register(
            0x4,
            "T1CL",
            "rw",
            help="reads the counter",
            read_effect=f"clears T1{met}",
            write_effect="goes to the low latch",
        ),
        Register(
            0x5,
            "T1CH",
            "rw",
            help="reads the counter",
            write_effect="goes to the high latch, loads the counter from both, starts timer 1, and clears T1",
        ),
        Register(0x6, "T1LL", "rw"),
        Register(0x7, "T1LH", "rw", write_effect="clears T1"),
        Register(
            0x8,
            "T2CL",
            "rw",
            help="reads the counter",
            read_effect=f"clears T2{met}",
            write_effect="goes to the low latch",
        ),
        Register(
            0x9,
            "T2CH",
            "rw",
            help="reads the counter",
            write_effect="loads the counter with it and the low latch, starts timer 2, and clears T2",
        ),
        Register(0xA, "SR", "rw", read_effect=shifts, write_effect=shifts),
        Register(
            0xB,
            "ACR",
            "rw",
            bits=acr,
            write_effect="selects what timers and shift register do: another shift mode ends the byte under way, off "
            "clears SR",
        ),
        Register(0xC, "PCR", "rw", bits=pcr, write_effect="selects what the control lines do: outputs follow at once"),
        Register(0xD, "IFR", "rw", bits=ifr, write_effect="clears the flags of its ones"),
        Register(
            0xE,
            "IER",
            "rw",
            bits=(*FLAGS, "SET"),
            write_effect="enables the flags of its ones when bit 7 is 1, disables them when it is 0",
        ),
        Register(
            0xF,
            "ORA_QUIET",
            "rw",
            bits=port_a,
            is_port=True,
            help="ORA without handshake and flags",
            write_effect=drives,
        ),
    )


def board_pins(settings: Ports6522Settings) -> tuple[PinSpec, ...]:
    """INT, the control lines and both ports."""
    level = settings.open_inputs != "low"
    irq = Drive.OPEN_DRAIN if settings.irq_output == "open-drain" else Drive.PUSH_PULL
    control = [
        PinSpec(name="CA1", drive=Drive.INPUT, listens=True, open_level=level, help="control input of port A"),
        *(
            PinSpec(name=name, drive=Drive.THREE_STATE, listens=True, open_level=level, help=text)
            for name, text in (
                ("CA2", "control input or output of port A"),
                ("CB1", "control input of port B, clock of the shift register"),
                ("CB2", "control input or output of port B, data of the shift register"),
            )
        ),
    ]
    ports = [
        # PB6 steps timer 2, so its edges matter; the others are looked at when the port is read.
        PinSpec(name=f"P{p}{n}", drive=Drive.THREE_STATE, listens=f"{p}{n}" == "B6", open_level=level)
        for p in "AB"
        for n in range(8)
    ]
    return (PinSpec(name="INT", drive=irq, request=True, help="interrupt request, asserted when low"), *control, *ports)
