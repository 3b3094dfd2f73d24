"""Which faults can be said: for each kind a sentence, other words for it, what it does, and by which source."""

from __future__ import annotations

import attrs

SHEET = "W65C02S data sheet, Western Design Center"


@attrs.frozen
class Kind:
    """A kind of fault.

    Attributes:
        title: what it is.
        sentence: one that says it.
        also: other words that are understood.
        does: what the machine does then.
        source: by which that is so.
    """

    title: str
    sentence: str
    also: tuple[str, ...]
    does: str
    source: str


KINDS = (
    Kind(
        "a line or pin is open",
        "slot 4: D3 open",
        ("slot 4: D3 bent", "slot 4: dry joint at D3", "A5 not connected"),
        "An input behind it reads high; an output drives nothing, and a data line that nobody drives stays as it was.",
        "common practice, from memory: inputs of the TTL families",
    ),
    Kind(
        "a line or pin is stuck",
        "slot 4: D3 low",
        ("A5 stuck high", "slot 2: pin A14 tied to GND"),
        "At a slot the card alone sees it so; without a slot all do.",
        "common practice, from memory",
    ),
    Kind(
        "two lines or pins touch",
        "A5 shorted to A6",
        ("solder bridge between A5 and A6", "slot 4: D3 touches D4"),
        "Both have the lower level of the two.",
        "common practice, from memory: of two outputs the low one wins",
    ),
    Kind(
        "two lines or pins are exchanged, one is inverted, a row is the wrong way round",
        "slot 4: D3 exchanged with D4",
        ("A5 and A6 swapped", "slot 4: pin A1 inverted", "slot 5: data bus reversed"),
        "As a wiring diagram says it.",
        "what the words mean",
    ),
    Kind(
        "a card answers late",
        "slot 4: answers late",
        ("slot 4: D3 late", "D3 late", "slot 1: too slow"),
        "The CPU has taken the byte that was on the lines in the cycle before.",
        f"{SHEET}, Table 6-3 (tDSR); that the lines keep it: from memory",
    ),
    Kind(
        "select, strobes, decoder jumpers",
        "slot 4: selected by A15 and not A14",
        ("slot 4: CE low", "slot 1: OE and WE exchanged", "slot 1: write enable not gated with PHI2"),
        "Another card answers, several do, or none.",
        "what the words mean",
    ),
    Kind(
        "a jumper, switch or option of a card",
        "slot 4: setting port_1 = 3",
        ("slot 4: jumper port_1 is 3", "slot 4: port_1 = 3"),
        "The card is one that is set so; `simkit cards KIND` lists its settings.",
        "that of the setting",
    ),
    Kind(
        "a bit or byte of a ROM",
        "slot 2: bit 3 of $8123 high",
        ("slot 2: byte at $8123 = $4C", "slot 2: bit 3 of offset $0123 inverted"),
        "The part reads so, wherever it is read. The image that was meant is still the machine's.",
        "an erased cell reads 1: AT28C256 and 39SF010A data sheets",
    ),
    Kind(
        "a card without supply, or not in its slot",
        "slot 4: without supply",
        ("slot 4: no power", "slot 4: card removed", "slot 4: comes up after 0.1 s"),
        "It answers nothing and lets go of its outputs; when the supply comes, it begins as at power-on.",
        "from memory; that such a part loads lines through its protection diodes is not simulated",
    ),
    Kind(
        "RESET at power-on",
        "RESET low, until 0.2 s",
        ("RESET released after 200 ms", "RESET never released", "RESET bounces"),
        "The CPU begins when RESET goes high; bouncing, RESET is low by chance for 200 cycles.",
        f"{SHEET}, section 3 (RESB)",
    ),
    Kind(
        "a write ends late",
        "slot 1: writes end late",
        ("slot 1: late end of a write", "slot 1: address hold too short"),
        "The byte lands once more at the next address, if that selects the card.",
        f"{SHEET}, Table 6-3: tAH and tDHW, 10 ns; which of the two comes first is ours",
    ),
    Kind(
        "the data of a write end early",
        "slot 1: write data end early",
        ("slot 1: data hold too short", "slot 1: data changes before the write ends"),
        "The card stores the byte that is on the lines in the next cycle.",
        f"{SHEET}, Table 6-3: tDHW, 10 ns",
    ),
    Kind(
        "a pulse of the clock comes twice",
        "PHI2 doubled, 1 in 10000",
        ("an extra clock pulse at cycle 5000", "slot 4: PHI2 doubled"),
        "The CPU makes a cycle for which no memory has time: a read takes the byte before, a write is lost. "
        "At a slot the card's strobes come twice.",
        "from memory",
    ),
    Kind(
        "a pulse of the clock does not come",
        "PHI2 missing, 1 in 10000",
        ("lost clock edge at cycle 5000", "slot 4: PHI2 missing"),
        "The CPU waits a period, in which counters on cards count on. At a slot the card sees no access.",
        "from memory",
    ),
)
TIMES = (
    ("1 in 1000", "by chance, in so many of the cycles; also 0.1 %, once every 1000 cycles"),
    ("sometimes", "1 in 100; rarely is 1 in 10000, often 1 in 2: rates of ours"),
    ("1 in 1000, 20 cycles long", "in spells, each as long, drawn one by one"),
    ("from cycle 5000", "from then on; also from 0.5 s, after 20 ms: times count from power-on"),
    ("until 2 s", "no longer; also for the first 2 s, between 1 s and 2 s, at cycle 5000"),
)


def page() -> list[str]:
    """All of it, in lines for people."""
    lines = [
        "Faults are put into a machine on purpose, each a sentence: --fault SENTENCE on every command with a MACHINE,",
        'faults = ["SENTENCE"] at the top of a machine file, Machine.load(..., faults=["SENTENCE"]) and, while it',
        "runs, m.add_fault(SENTENCE), whose handle takes it out again. All that --wire says is a fault as well.",
    ]
    for kind in KINDS:
        lines += ["", f"{kind.title[0].upper()}{kind.title[1:]}: {kind.sentence}"]
        lines += [f"  Also: {'; '.join(kind.also)}", f"  {kind.does}", f"  Source: {kind.source}."]
    lines += ["", "Behind a comma stands when it is there; without, it is there always:"]
    width = max(len(text) for text, _ in TIMES)
    lines += [f"  {text:{width}}  {told}" for text, told in TIMES]
    lines += [
        "Chance depends on the seed, the fault and the cycle alone: the same run has it in the same cycles.",
        "Settings and bits of a ROM are so from power-on. Late ends of writes and pulses of the clock slow a machine:",
        "while they are there, the reference engine makes each cycle. All else runs as a machine that is wired so.",
    ]
    return lines
