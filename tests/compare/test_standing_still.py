"""A CPU that STP or WAI has stopped puts out one address: it is in step for as long as the capture shows that."""

import attrs
import numpy as np
import pytest

from simkit import Machine
from simkit.compare.judged import Leading, Verdict, led
from simkit.records.observed import Observer
from tests.compare.takes import SOUND_SEED, exact, misread
from tests.compare.test_led_misread import image

STP, WAI, NOP = 0xDB, 0xCB, 0xEA
STOPPED, STILL, EVERY = 200, 3_000, 140


def capture(code):
    """Of a CPU that stops soon; the analyser sees some rows with one line wrong."""
    machine = Machine.load("demo:marlpit", seed=5, images=image(bytes((NOP, NOP, code, NOP, NOP))))
    with Observer(machine) as observer:
        machine.run(cycles=STOPPED)
    seen = observer.observed
    still = np.repeat(seen.levels[-1:], STILL)  # the run ends where the CPU halts, and a real clock goes on
    captured = exact(attrs.evolve(seen, levels=np.append(seen.levels, still)))
    for row in range(STOPPED, len(captured), EVERY):
        captured = misread(captured, row, ("A3", "A15", "RW", "D2")[row // EVERY % 4])
    return captured


def followed(code, captured):
    return led(Machine.load("demo:marlpit", seed=SOUND_SEED, images=image(bytes((NOP, NOP, code, NOP, NOP)))), captured)


@pytest.mark.parametrize("code", [STP, WAI])
def test_a_cpu_that_stands_still_is_in_step_to_the_end(code):
    captured = capture(code)
    found = followed(code, captured)
    assert found.from_reset
    assert found.parts[-1][1] == len(captured)
    assert (found.verdict == Verdict.UNTOLD).sum() < 10
    assert found.first is None, found.first


@pytest.mark.parametrize("code", [STP, WAI])
def test_where_a_stopped_cpu_goes_on_without_cause_it_is_out_of_step(code):
    captured = capture(code)
    moved = captured.levels.copy()
    row = 1_500
    moved[row:] ^= np.uint64(1) << np.uint64(captured.names.index("A9"))
    found = followed(code, attrs.evolve(captured, levels=moved))
    assert max(end for _, end in found.parts) < row + 20
    assert (found.verdict[300 : row - 1] != Verdict.UNTOLD).all()


@pytest.mark.parametrize("code", [STP, WAI])
def test_reset_gets_a_stopped_cpu_going(code):
    captured = capture(code)
    twice = attrs.evolve(
        captured,
        levels=np.append(captured.levels[:1_000], captured.levels[:1_000]),
        **{name: getattr(captured, name)[:2_000] for name in ("known", "time", "lost")},
    )
    found = followed(code, twice)
    vectors = np.flatnonzero(twice.address[0] == 0xFFFC)
    assert [first for first, _ in found.parts] == vectors.tolist()
    assert (found.verdict[vectors[1] + 2 :] != Verdict.UNTOLD).all()


@pytest.mark.parametrize("code", [STP, WAI])
def test_a_capture_that_grows_while_the_cpu_stands_still_says_the_same(code):
    captured = capture(code)
    machine = Machine.load("demo:marlpit", seed=SOUND_SEED, images=image(bytes((NOP, NOP, code, NOP, NOP))))
    growing = Leading(machine, captured[:700])
    for at in range(700, len(captured), 300):
        growing.judged()
        growing.add(captured[at : at + 300])
    whole = followed(code, captured)
    assert (growing.end().verdict == whole.verdict).all()
