"""Files that other programs than ours write are read, and say the same in each form."""

import subprocess
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import vcdvcd

from simkit.capture.channels import Assignment, Reading
from simkit.capture.read import read_capture, read_samples
from simkit.measure.captures import a_bus, as_vcd

FOREIGN = Path(__file__).parent / "foreign"
RATE = Fraction(24_000_000)
FORMS = {
    "csv": "rows.csv",
    "csv:time=true": "timed.csv",
    "csv:dedup=true:time=true": "changes.csv",
    "csv:label=channel": "named.csv",
    "vcd": "a.vcd",
    "ols": "a.list",
}


def levels(path, names, count, notes=None):
    """Levels of these channels in each sample."""
    reading = Reading(assigned=tuple(Assignment(name, f"A{at}") for at, name in enumerate(names)))
    samples, _ = read_samples(path, reading, [] if notes is None else notes)
    assert samples.tick == 1 / RATE
    at = np.searchsorted(samples.time, np.arange(count), side="right") - 1
    return samples.levels[at].tolist(), samples


@pytest.mark.needs("session tool")
def test_one_capture_in_every_form_that_the_session_tool_writes(tmp_path):
    """Its generator makes it; 24 MHz, so that times are rounded in tables and dumps."""

    def run(*words):
        subprocess.run(["sigrok-cli", *words], cwd=tmp_path, check=True, capture_output=True)

    run(
        "-d",
        "demo:logic_channels=12:analog_channels=0",
        "--config",
        "samplerate=24m",
        "--samples",
        "3000",
        "-o",
        "a.sr",
    )
    names = [f"D{n}" for n in range(12)]
    whole, samples = levels(tmp_path / "a.sr", names, 3000)
    assert (samples.end, samples.complete) == (3000, True)
    assert len(set(whole)) > 20
    for form, name in FORMS.items():
        run("-i", "a.sr", "-O", form, "-o", name)
        numbers = [str(n) for n in range(12)]
        found, samples = levels(tmp_path / name, numbers if form == "ols" else names, 3000)
        assert found == whole, form
        assert samples.end == 3000 or form == "csv:dedup=true:time=true"


@pytest.mark.parametrize("name", ["a.sr", *FORMS.values()])
def test_files_of_the_session_tool_that_are_kept_here(name):
    """40 samples of five channels at 24 MHz, made once as in the test above."""
    names = [str(n) for n in range(5)] if name == "a.list" else [f"D{n}" for n in range(5)]
    whole, _ = levels(FOREIGN / "a.sr", [f"D{n}" for n in range(5)], 40)
    assert levels(FOREIGN / name, names, 40)[0] == whole
    assert len(set(whole)) > 5


@pytest.mark.needs("session tool")
def test_channels_with_gaps_are_told_to_be_packed_together(tmp_path):
    command = "-d demo:logic_channels=12:analog_channels=0 --config samplerate=24m --samples 500 -C D0,D1,D9 -o a.sr"
    subprocess.run(["sigrok-cli", *command.split()], cwd=tmp_path, check=True, capture_output=True)
    notes = []
    reading = Reading(assigned=(Assignment("D0", "D0"), Assignment("D1", "D1"), Assignment("D9", "A9")))
    samples, _ = read_samples(tmp_path / "a.sr", reading, notes)
    if not (samples.levels & np.uint64(4)).any():  # as version 0.5.2 writes it
        assert "dense = true" in notes[0]


@pytest.mark.needs("fst")
def test_a_dump_that_went_through_another_format_reads_the_same(tmp_path):
    ours, there, back = tmp_path / "a.vcd", tmp_path / "a.fst", tmp_path / "b.vcd"
    ours.write_bytes(as_vcd(a_bus(4000, busy=False)))
    subprocess.run(["vcd2fst", ours, there], check=True, capture_output=True)
    subprocess.run(["fst2vcd", "-f", there, "-o", back], check=True, capture_output=True)
    one, other = read_capture(ours), read_capture(back)
    assert len(one) == len(other) > 490
    assert np.array_equal(one.levels, other.gathered(one.names)[0])
    assert np.array_equal(one.known, other.gathered(one.names)[1])


def test_another_reader_of_dumps_sees_the_same_levels(tmp_path):
    path = tmp_path / "a.vcd"
    path.write_bytes(as_vcd(a_bus(2000, busy=False)))
    theirs = vcdvcd.VCDVCD(str(path))
    reading = Reading(assigned=tuple(Assignment(name, name) for name in theirs.signals))
    samples, _ = read_samples(path, reading, [])
    for bit, name in enumerate(samples.names):
        for row in range(0, len(samples), 7):
            moment = int(samples.time[row] * samples.tick * 10**9)
            assert int(theirs[name][moment]) == samples.levels[row] >> np.uint64(bit) & np.uint64(1)
