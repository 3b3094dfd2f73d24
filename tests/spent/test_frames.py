"""Frames in which the program did not come round, counted where it is known how many there must be."""

import pytest

from simkit import Machine, SimkitError, time_spent
from simkit.spent.words import spent_text
from tests.spent.asking import image

SECONDS = 1


def late(tmp_path, frames: str):
    """Waits for the end of a frame, then does nothing for so many frames, again and again."""
    # $8000: STA $7F31 twice (register 1 = $E0: the display, and INT, which I masks); round: BIT $7F31, BPL round
    # LDX #n; LDY #0; DEY, BNE; DEX, BNE; JMP round: n times 1284 cycles, a frame is 33 367 at 2 MHz
    rounds = {"0.5": 0x0D, "1.5": 0x27, "2.5": 0x41}[frames]
    code = f"78A9E08D317FA9818D317F 2C317F10FB A2{rounds:02X}A00088D0FDCAD0F8 4C0B80"
    path = tmp_path / "late.bin"
    path.write_bytes(image({0x8000: code}))
    machine = Machine.load("demo:marlpit", images={2: path})
    machine.labels.add("round", 0x800B)
    machine.labels.add("busy", 0x8010)
    return machine


@pytest.mark.parametrize(("frames", "missed", "of"), [("0.5", 0, 1), ("1.5", 1, 3), ("2.5", 3, 5)])
@pytest.mark.parametrize("label", [None, "busy"])
def test_what_takes_longer_than_a_frame_misses_some(tmp_path, frames, missed, of, label):
    # A flag that is up when the program comes back is served at once: rounds take 1.5 frames, so two come in three.
    spent = time_spent(late(tmp_path, frames), seconds=SECONDS, each_frame=label)
    (screen,) = spent.frames
    assert screen.ended == pytest.approx(SECONDS * 59.94, abs=1)
    assert screen.by_main
    assert screen.missed == pytest.approx(screen.ended * missed / of, abs=3)
    assert spent.frames_missed == screen.missed


def test_a_program_that_does_not_follow_frames_has_no_limit(tmp_path):
    machine = late(tmp_path, "0.5")
    machine.labels.add("nowhere", 0x9000)
    spent = time_spent(machine, seconds=0.2, each_frame="nowhere")
    assert spent.frames[0].ended > 10 > spent.frames[0].missed == 0
    with pytest.raises(SimkitError, match="No frame was followed"):
        _ = spent.frames_missed


def test_a_label_that_there_is_not_is_told(tmp_path):
    with pytest.raises(SimkitError, match="no label 'rond'"):
        time_spent(late(tmp_path, "0.5"), seconds=0.1, each_frame="rond")


def test_the_game_follows_its_frames_once_it_has_set_itself_up():
    machine = Machine.load("demo:marlpit")
    begun = time_spent(machine, seconds=0.5)
    assert not begun.frames[0].by_main  # it has read the status, before it let interrupts in, and not since
    assert begun.frames_missed > 0  # interrupts were off for that long
    spent = time_spent(machine, seconds=1)
    assert spent.frames_missed == 0
    assert not spent.frames[0].by_main  # a handler reads the status
    assert "It is handlers that serve the frames" in spent_text(spent)
    spent = time_spent(machine, seconds=1, each_frame="read_inputs")
    assert (spent.frames_missed, spent.frames[0].by_main) == (0, True)
    assert "It is handlers that serve the frames" not in spent_text(spent)
    assert spent.latency["IRQ"].worst <= 16  # the game lets interrupts in while it waits
    assert spent.handler("IRQ").worst < 2000
    assert spent.routine("draw_picture").worst < machine.screen.frame_cycles
