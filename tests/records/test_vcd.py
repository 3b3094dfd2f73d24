"""A value change dump holds, at each fall of PHI2, what an ideal probe shows: as three other readers understand it."""

import io
import re
import shutil
import subprocess
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from vcd.reader import TokenKind, tokenize

from simkit import Machine
from simkit.backplane.select import ADDRESS_LINES
from simkit.backplane.wiring import DATA_LINES
from simkit.contract.errors import SimkitError
from simkit.records.observed import Observer, lines_of, observe
from simkit.records.vcd import VcdFile, timescale

CYCLES = 700
MACHINES = {"marlpit": "2 MHz", "bench": "10.738635 MHz / 6", "banks-test": "1 MHz", "ports-test": "2 MHz"}
SECONDS = {"s": 0, "ms": 3, "us": 6, "ns": 9, "ps": 12, "fs": 15}


def dumped(name, clock, pieces=(CYCLES,)):
    """Text of a dump, and what was observed."""
    machine = Machine.load(f"demo:{name}", clock=clock)
    text = io.StringIO()
    file = VcdFile(machine, lines_of(machine), text.write, 0)
    for cycles in pieces:
        with Observer(machine, lines_of(machine)) as observer:
            machine.run(cycles=cycles)
        file.add(observer.observed)
    file.close()
    again = Machine.load(f"demo:{name}", clock=clock)
    return text.getvalue(), observe(again, machine.cycle, lines_of(again)), machine.clock_hz


def name_of(scope, reference):
    """The kit's name of a variable."""
    slot = re.match(r"slot_(\d+)_", scope[-1]) if scope else None
    return f"{slot[1]}.{reference}" if slot else {"RWB": "RW"}.get(reference, reference)


def by_pyvcd(text):
    """Tick in seconds, changes in order: (time, name, value), as pyvcd's own reader reads them."""
    tick, scope, names, now, changes = None, [], {}, 0, []
    for token in tokenize(io.BytesIO(text.encode())):
        if token.kind is TokenKind.TIMESCALE:
            tick = Fraction(int(token.timescale.magnitude), 10 ** SECONDS[token.timescale.unit.value])
        elif token.kind is TokenKind.SCOPE:
            scope.append(token.scope.ident)
        elif token.kind is TokenKind.UPSCOPE:
            scope.pop()
        elif token.kind is TokenKind.VAR:
            names.setdefault(token.var.id_code, []).append(name_of(scope, token.var.reference))
        elif token.kind is TokenKind.CHANGE_TIME:
            now = token.time_change
        elif token.kind in (TokenKind.CHANGE_SCALAR, TokenKind.CHANGE_VECTOR):
            change = token.scalar_change if token.kind is TokenKind.CHANGE_SCALAR else token.vector_change
            changes += [(now, name, change.value) for name in names[change.id_code]]
    return tick, changes


def at_falls(changes):
    """Time of each fall of PHI2 but the first, and all values as they stand before it."""
    values, found = {}, []
    for time, name, value in changes:
        if name == "PHI2" and value in ("0", 0) and values.get("PHI2") in ("1", 1):
            found.append((time, dict(values)))
        values[name] = value
    return found


def levels_of(values, names):
    word = 0
    for place, name in enumerate(names):
        if name in ADDRESS_LINES:
            bit = int(values["A"]) >> int(name[1:]) & 1
        elif name in DATA_LINES:
            bit = int(values["D"]) >> int(name[1:]) & 1
        else:
            bit = int(values[name])
        word |= bit << place
    return word


@pytest.mark.parametrize("name", MACHINES)
def test_pyvcd_reads_the_level_of_every_line_in_every_cycle(name):
    text, observed, clock_hz = dumped(name, MACHINES[name])
    tick, changes = by_pyvcd(text)
    falls = at_falls(changes)
    assert len(falls) == len(observed) >= CYCLES
    assert [levels_of(values, observed.names) for _, values in falls] == observed.levels.tolist()
    for number, (time, _) in enumerate(falls, start=1):
        assert abs(time * tick - number / clock_hz) <= tick / 2


def test_pieces_make_one_file():
    text, observed, _ = dumped("marlpit", "2 MHz", (1, 200, 300))
    assert text.count("$enddefinitions") == 1
    assert text == dumped("marlpit", "2 MHz", (len(observed),))[0]


def test_pins_of_cards_stand_with_their_slot_and_share_the_lines_code():
    text, _, _ = dumped("marlpit", "2 MHz", (5,))
    assert len(re.findall(r"\$var wire 1 (\S+) INT ", text)) == 2
    assert len(set(re.findall(r"\$var wire 1 (\S+) (?:IRQ|INT) ", text))) == 1


def test_vcdvcd_reads_the_same(tmp_path):
    vcdvcd = pytest.importorskip("vcdvcd")
    text, observed, _ = dumped("banks-test", "1 MHz")
    path = tmp_path / "bus.vcd"
    path.write_text(text)
    read = vcdvcd.VCDVCD(str(path))
    signals = {name: read[name] for name in read.references_to_ids}
    phi2 = [time for time, value in signals["backplane.PHI2"].tv if value == "0"][1:]
    assert len(phi2) == len(observed)
    address = next(signal for name, signal in signals.items() if name.endswith(".A[15:0]"))
    data = next(signal for name, signal in signals.items() if name.endswith(".D[7:0]"))
    for number, time in enumerate(phi2):
        assert int(address[time - 1], 2) == int(observed.cycles.address[number])
        assert int(data[time - 1], 2) == int(observed.cycles.data[number])
        assert int(signals["backplane.RWB"][time - 1]) == int(observed.level("RW")[number])
        assert int(signals["backplane.BANK0"][time - 1]) == int(observed.level("BANK0")[number])


@pytest.mark.skipif(not shutil.which("vcd2fst") or not shutil.which("fst2vcd"), reason="needs Debian's gtkwave")
def test_vcd2fst_takes_it_and_gives_the_same_back(tmp_path):
    text, observed, _ = dumped("marlpit", "2 MHz")
    path = tmp_path / "bus.vcd"
    path.write_text(text)
    subprocess.run(["vcd2fst", path, tmp_path / "bus.fst"], check=True, capture_output=True)
    back = subprocess.run(["fst2vcd", tmp_path / "bus.fst"], check=True, capture_output=True, text=True).stdout
    # fst2vcd puts the vector's range behind its name, as one token
    _, changes = by_pyvcd(back)
    falls = at_falls(changes)
    assert [levels_of(values, observed.names) for _, values in falls] == observed.levels.tolist()


@given(hertz=st.fractions(min_value=1, max_value=20_000_000, max_denominator=11), cycle=st.integers(0, 10**12))
def test_a_tick_is_exact_or_a_picosecond_and_no_error_adds_up(hertz, cycle):
    period = 1 / hertz
    number, unit, tick = timescale(period, period / 2)
    assert number in (1, 10, 100)
    assert tick == Fraction(number, 10 ** SECONDS[unit])
    exact = (period / tick).denominator == 1 and (period / 2 / tick).denominator == 1
    assert exact or tick == Fraction(1, 10**12)
    machine_time = cycle * period
    file = object.__new__(VcdFile)
    file._period, file.tick = period, tick
    for offset in (Fraction(0), period / 2):
        (time,) = file._times([cycle], offset)
        assert abs(time * tick - machine_time - offset) <= tick / 2


def test_time_that_goes_back_is_refused():
    machine = Machine.load("demo:marlpit")
    file = VcdFile(machine, lines_of(machine), lambda text: None, 0)
    observed = observe(machine, 50, lines_of(machine))
    file.add(observed)
    with pytest.raises(SimkitError, match="Time goes back from cycle"):
        file.add(observed)
    assert np.all(observed.cycles.cycle[:3] == [0, 1, 2])


def test_where_phi2_is_stretched_it_stays_high_for_longer(small_machine):
    machine = small_machine("AD027F 8540 EE037F 4C0080", "auto", wait=3, wait_states="stretch")
    text = io.StringIO()
    file = VcdFile(machine, lines_of(machine), text.write, 0)
    with Observer(machine, lines_of(machine)) as observer:
        machine.run(cycles=400)
    observed = observer.observed
    file.add(observed)
    file.close()
    tick, changes = by_pyvcd(text.getvalue())
    falls = at_falls(changes)
    assert [levels_of(values, observed.names) for _, values in falls] == observed.levels.tolist()
    begins = [0, *(time for time, _ in falls)]
    lengths = [(end - begin) * tick * machine.clock_hz for begin, end in pairwise(begins)]
    assert set(lengths) == {1, 4}
    assert lengths[7:] == [4 if address >> 8 == 0x7F else 1 for address in observed.cycles.address.tolist()][7:]
