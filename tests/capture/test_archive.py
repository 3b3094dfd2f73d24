"""Session archives, versions 1 and 2: which bit is which channel, in which order pieces lie, what is refused."""

import io
import zipfile
from fractions import Fraction

import numpy as np
import pytest

from simkit.capture.archive import read_archive
from simkit.capture.channels import Assignment, Reading
from simkit.capture.read import Picker
from simkit.contract.errors import SimkitError
from tests.capture.bench import rows


def archive(metadata, members, version="2"):
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as zipped:
        if version == "1":
            zipped.writestr("mimetype", "application/vnd.sigrok-session")
        if version is not None:
            zipped.writestr("version", version)
        if metadata is not None:
            zipped.writestr("metadata", metadata)
        for name, data in members.items():
            zipped.writestr(name, data)
    return content.getvalue()


def metadata(probes, unit=1, rate="1 MHz", sign="=", total=None):
    total = max(probes, default=0) if total is None else total
    keys = {"capturefile": "logic-1", "total probes": total, "samplerate": rate, "unitsize": unit}
    keys |= {f"probe{number}": name for number, name in probes.items()}
    lines = [f"{key}{sign}{value}" for key, value in keys.items() if value is not None]
    return "[global]\nsigrok version=0.5.2\n\n# about\n[device 1]\n" + "\n".join(lines) + "\n"


def read(content, names, notes=None, **more):
    reading = Reading(assigned=tuple(Assignment(name, f"A{at}") for at, name in enumerate(names)), **more)
    return read_archive(content, "a.sr", Picker(reading, "a.sr"), reading, [] if notes is None else notes)


@pytest.mark.parametrize("version", ["1", "2", None])
@pytest.mark.parametrize("sign", ["=", " = "])
def test_samples_are_words_of_the_unit_size_with_probe_n_in_bit_n_less_1(version, sign):
    """Unit size 2, bytes 19 00 16 00 0D 00: 0019, 0016, 000D."""
    content = archive(metadata({1: "A0", 2: "A 1"}, 2, sign=sign), {"logic-1": bytes.fromhex("190016000D00")}, version)
    samples = read(content, ["A 1", "A0"])
    assert rows(samples) == [(0, 2, 0), (1, 1, 0), (2, 2, 0)]
    assert (samples.tick, samples.period, samples.end, samples.complete) == (Fraction(1, 10**6), 1, 3, True)


def test_pieces_are_joined_in_the_order_of_their_numbers_even_within_a_sample():
    pieces = {f"logic-1-{number}": bytes([number, 0, number][: 3 if number % 2 else 1]) for number in (10, 2, 9, 1)}
    samples = read(archive(metadata({1: "a", 2: "b", 4: "d"}, 2, total=16), pieces), ["a", "b", "d"])
    whole = bytes([1, 0, 1, 2, 9, 0, 9, 10])
    words = [whole[at] | whole[at + 1] << 8 for at in range(0, 8, 2)]
    levels = [word & 3 | (word >> 3 & 1) << 2 for word in words]
    at = np.searchsorted(samples.time, range(4), side="right") - 1
    assert samples.levels[at].tolist() == levels


@pytest.mark.parametrize(
    ("text", "hz"),
    [
        ("1 MHz", 10**6),
        ("12.5 MHz", 12_500_000),
        ("200 Hz", 200),
        ("1 kHz", 1000),
        ("24MHz", 24 * 10**6),
        ("1 GHz", 10**9),
    ],
)
def test_the_rate_is_a_text_with_its_unit(text, hz):
    assert 1 / read(archive(metadata({1: "a"}, rate=text), {"logic-1": b"\0\1"}), ["a"]).tick == hz


def test_without_a_rate_the_user_is_asked():
    content = archive(metadata({1: "a"}, rate=None), {"logic-1": b"\0\1"})
    with pytest.raises(SimkitError, match="does not say its sampling rate") as found:
        read(content, ["a"])
    assert 'rate = "1 MHz"' in found.value.remedy
    assert read(content, ["a"], rate=Fraction(5)).tick == Fraction(1, 5)
    assert len(read(content, ["a"], synchronous=True)) == 2


def test_channels_packed_together_in_spite_of_gaps_are_told_and_read_when_the_user_says_so():
    """Probes 1 to 4 and 10: bit 4 moves, bit 9 never does."""
    content = archive(
        metadata({1: "a", 2: "b", 3: "c", 4: "d", 10: "RWB"}, 2), {"logic-1": bytes([0, 0, 16, 0, 1, 0, 17, 0])}
    )
    notes = []
    samples = read(content, ["a", "RWB"], notes)
    assert samples.levels.tolist() == [0, 1]
    assert notes[0].startswith("RWB never moved, but bit 4 of the samples did")
    assert "dense = true" in notes[0]
    assert read(content, ["a", "RWB"], notes, dense=True).levels.tolist() == [0, 2, 1, 3]
    assert len(notes) == 1


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (archive(None, {}), "no member is called metadata"),
        (archive(metadata({1: "a"}), {}), "The archive has no samples: no member is called 'logic-1'"),
        (archive(metadata({}), {"logic-1": b"\0"}), "no digital channels"),
        (archive(metadata({1: "a"}), {"logic-1": b""}), "holds no samples"),
        (archive(metadata({1: "a"}), {"logic-1": b"\0"}, "3"), "The archive is of version '3'"),
        (archive(metadata({1: "a"}, unit=300), {"logic-1": b"\0"}), "samples of 300 bytes"),
        (archive(metadata({1: "a", 2: "a"}), {"logic-1": b"\0"}), "Two channels of the archive"),
        (archive(metadata({1: "a"}), {"logic-1": b"\0" * 9000})[:-40], "The archive is damaged"),
        (b"PK\3\4" + b"x" * 99, "The archive is damaged"),
        (archive("x" * 1_100_000, {}), "more than 1000000 bytes"),
    ],
)
def test_what_is_no_session_is_refused(content, message):
    with pytest.raises(SimkitError, match=message):
        read(content, ["a"])


def test_an_archive_that_would_fill_the_memory_is_refused_before_it_is_unpacked():
    content = archive(metadata({1: "a"}), {"logic-1": b"\0"})
    size = (2_000_000_000).to_bytes(4, "little")
    at = content.rindex(b"PK\1\2", 0, content.rindex(b"PK\1\2") + 4)
    lying = content[: at + 24] + size + content[at + 28 :]
    with pytest.raises(SimkitError, match="2000000000 bytes of samples; 1000000000 can be read"):
        read(lying, ["a"])
