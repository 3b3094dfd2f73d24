"""Access windows of the tile-video card.

[PG] is Texas Instruments, Video Display Processors Programmer's Guide, 1984, appendix B, table on page B-1.
"""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from simkit_cards.tile_video.pacing import Pacing
from simkit_cards.tile_video.raster import Raster
from simkit_cards.tile_video.tables import decode

BACKDROPS = bytes(0x1000) + b"\xd0" + bytes(0x2FFF)
GRAPHICS, TEXT, MULTICOLOR, OFF = 0xC0, 0xD0, 0xC8, 0x80


def gap_is_too_soon(make_video, r1, hz, cycles, line=20, **settings):
    """Whether a store `cycles` after another breaks the rule, drawing from `line` on."""
    video = make_video(clock_hz=Fraction(hz), **{"multicolor_told": "as the wait", **settings})
    video.poke(BACKDROPS, bytes([0, r1, 5, 0x80, 1, 0x20, 0, 1]))
    video.frames(1)
    video.to_line(line)
    video.bench.run(50)
    video.bench.write(0, 0x55)
    video.bench.run(cycles - 1)
    video.bench.write(0, 0x66)
    return "video-access-too-soon" in video.rules()


@pytest.mark.parametrize(
    ("hz", "mode", "cycles"),
    [
        (1_000_000, GRAPHICS, 8), (1_000_000, MULTICOLOR, 4), (1_000_000, TEXT, 4), (1_000_000, OFF, 2),
        (2_000_000, GRAPHICS, 16), (2_000_000, MULTICOLOR, 7), (2_000_000, TEXT, 7), (2_000_000, OFF, 4),
        (3_579_545, GRAPHICS, 29), (3_579_545, MULTICOLOR, 13), (3_579_545, TEXT, 12), (3_579_545, OFF, 8),
        (4_000_000, GRAPHICS, 32), (4_000_000, MULTICOLOR, 14), (4_000_000, TEXT, 13), (4_000_000, OFF, 8),
        (8_000_000, GRAPHICS, 64), (8_000_000, MULTICOLOR, 28), (8_000_000, TEXT, 25), (8_000_000, OFF, 16),
    ],
)  # fmt: skip
def test_least_cycles_between_accesses(make_video, hz, mode, cycles):
    """[PG] B-1: 8, 3.5, 3.1 and 2 us, rounded up to whole cycles of the CPU clock."""
    assert not gap_is_too_soon(make_video, mode, hz, cycles)
    assert gap_is_too_soon(make_video, mode, hz, cycles - 1)


@pytest.mark.parametrize(("wait", "cycles"), [("3.5 us", 7), ("8 us", 16)])
def test_wait_in_multicolor_is_a_setting(make_video, wait, cycles):
    """3.5 us in [PG] B-1; a users' wiki lists multicolor with the graphics modes, 29 cycles at 3.58 MHz."""
    assert not gap_is_too_soon(make_video, MULTICOLOR, 2_000_000, cycles, multicolor_wait=wait)
    assert gap_is_too_soon(make_video, MULTICOLOR, 2_000_000, cycles - 1, multicolor_wait=wait)


@pytest.mark.parametrize(("told", "cycles"), [("under 8 us", 16), ("as the wait", 7)])
def test_gaps_told_in_multicolor_are_a_setting(make_video, told, cycles):
    """[PG] B-1 says 3.5 us, users 8: by default what either forbids is told, and nothing is lost that [PG] allows."""
    assert not gap_is_too_soon(make_video, MULTICOLOR, 2_000_000, cycles, multicolor_told=told)
    assert gap_is_too_soon(make_video, MULTICOLOR, 2_000_000, cycles - 1, multicolor_told=told)
    video = make_video(clock_hz=Fraction(2_000_000), multicolor_told=told)
    video.poke(BACKDROPS, bytes([0, MULTICOLOR, 5, 0x80, 1, 0x20, 0, 1]))
    video.frames(1)
    video.to_line(20)
    video.bench.write(1, 0x00)
    video.bench.run(20)
    video.bench.write(1, 0x54)
    for value in range(1, 100):
        video.bench.run(8 - 1)
        video.bench.write(0, value)
    video.bench.run(20)
    assert list(video.card.look(video.bench.cycle)[0][0x1400 : 0x1400 + 99]) == list(range(1, 100))
    messages = [finding.message for finding in video.bench.findings]
    assert any("The maker's table has 3.5 us" in message for message in messages) is (told == "under 8 us")


def test_bytes_that_a_copy_loop_moves_below_the_picture(make_video):
    """A loop of 13 cycles at 2 MHz is too fast in graphics I but for the 4300 us after the interrupt, [PG] B-1.

    4300 us / 6.5 us = 661 bytes, arithmetic: fewer than the 768 of a name table.
    """
    video = make_video(clock_hz=Fraction(2_000_000))
    video.poke(BACKDROPS, bytes([0, GRAPHICS, 5, 0x80, 1, 0x20, 0, 1]))
    video.frames(1)
    video.to_line(191, 250)
    video.bench.run_to(video.card._crystal.first_cycle_at(video.card._end_tick))
    count = 0
    while "video-access-too-soon" not in video.rules():
        video.bench.write(0, count & 0xFF)
        video.bench.run(13 - 1)
        count += 1
        assert count < 768
    assert count - 3 == 661  # besides: the one at 0 us, the first that may have to wait, the one told, which did not


@pytest.mark.parametrize(("line", "too_soon"), [(190, True), (193, False), (258, False), (261, True)])
def test_free_time_after_the_frame_interrupt(make_video, line, too_soon):
    """[PG] B-1: 2 us suffice for 4300 us after the interrupt, 67.5 of the 70 lines."""
    assert gap_is_too_soon(make_video, GRAPHICS, 1_000_000, 3, line) is too_soon


@pytest.mark.parametrize(
    ("hz", "cycles", "modes"),
    [
        (1_000_000, 13, ""), (1_789_772, 13, "g"), (2_000_000, 13, "g"), (4_000_000, 13, "gm"),
        (1_000_000, 9, ""), (2_000_000, 9, "g"),
        (1_000_000, 4, "g"), (2_000_000, 4, "gmt"),
    ],
)  # fmt: skip
def test_common_loops(make_video, hz, cycles, modes):
    """Copy loop of 13 cycles, fill loop of 9, two stores in a row 4 cycles apart; letters: modes in which they fail."""
    for letter, mode in (("g", GRAPHICS), ("m", MULTICOLOR), ("t", TEXT)):
        assert gap_is_too_soon(make_video, mode, hz, cycles) is (letter in modes), (letter, hz, cycles)
    assert not gap_is_too_soon(make_video, OFF, hz, cycles)


@pytest.mark.parametrize("phase", range(16))
def test_a_window_comes_within_the_longest_wait_wherever_they_lie(make_video, phase):
    """Where the windows lie is not published; a gap of the table's length never loses a byte."""
    video = make_video(clock_hz=Fraction(2_000_000), window_phase=phase)
    video.poke(BACKDROPS, bytes([0, GRAPHICS, 5, 0x80, 1, 0x20, 0, 1]))
    video.frames(1)
    video.to_line(20)
    video.bench.write(1, 0x00)
    video.bench.run(20)
    video.bench.write(1, 0x54)
    for value in range(1, 200):
        video.bench.run(16 - 1)
        video.bench.write(0, value)
    video.bench.run(20)
    memory = video.card.look(video.bench.cycle)[0]
    assert list(memory[0x1400 : 0x1400 + 199]) == list(range(1, 200))
    assert "video-access-too-soon" not in video.rules()


def test_sprites_past_the_eighth_with_masked_patterns_are_told(make_video):
    """[PG] 8.4.2 warns of repeated sprites and gives no rule: a finding, not a guess."""
    video = make_video()
    attributes = bytes([100, 0, 0, 1] * 9 + [0xD0])
    memory = bytes(0x3B00) + attributes + bytes(0x4000 - 0x3B00 - len(attributes))
    video.poke(memory, bytes.fromhex("02 C2 0E 9F 00 76 03 0F"))
    video.frames(2)
    assert "video-masked-sprites" in video.rules()


def test_control_bytes_closer_than_two_microseconds(make_video):
    """Steckschwein blog, "The WAIT", from a successor's manual: 2 us between control bytes; so does the data manual
    (1982), section 4, from memory."""
    for gap, too_soon in ((8, False), (7, True)):
        video = make_video(clock_hz=Fraction(4_000_000))
        video.bench.run(100)
        video.bench.write(1, 0x07)
        video.bench.run(gap - 1)
        video.bench.write(1, 0x87)
        assert ("video-strobe-too-soon" in video.rules()) is too_soon


def test_strobe_setting_stands_for_wait_states(make_video):
    for strobe_ns, told in ((0, True), (250, False)):
        video = make_video(clock_hz=Fraction(4_000_000), strobe_ns=strobe_ns)
        video.register(7, 1)
        video.status()
        assert ("video-write-strobe-too-narrow" in video.rules()) is told
        assert ("video-read-strobe-too-narrow" in video.rules()) is told


REPLACEMENTS = ("programmable logic", "microcontroller")


@pytest.mark.parametrize("hz", [1_000_000, 4_000_000])
@pytest.mark.parametrize("socket", REPLACEMENTS)
def test_a_replacement_in_the_socket_loses_nothing_and_the_old_chip_s_limits_are_told_once(make_video, socket, hz):
    """Own memory, an access served within the bus cycle, from memory; stores 4 cycles apart, in mid-picture."""
    video = make_video(clock_hz=hz, socket=socket)
    video.poke(bytes(0x4000), bytes.fromhex("00 C0 05 80 01 20 00 01"))
    video.to_line(20)
    video.control(0x00, 0x40)
    for value in range(1, 60):
        video.bench.write(0, value)
        video.bench.run(3)
    video.control(0x00, 0x00)
    video.bench.run_to(video.bench.cycle + 1)
    found = []
    for _ in range(59):
        found.append(video.bench.read(0))
        video.bench.run(3)
    assert found == list(range(1, 60))
    assert [finding.rule for finding in video.bench.findings] == ["video-faster-than-the-chip"]


def test_a_read_straight_after_its_address_gives_the_byte_of_that_address_on_a_replacement(make_video):
    """[PG] has 2 to 8 us for it on the chip, which gives the byte read ahead before."""
    for socket, expected in (("programmable logic", 7), ("chip", 9)):
        video = make_video(clock_hz=2_000_000, socket=socket)
        video.poke(bytes([7, 8, *bytes(0xFE), 9]).ljust(0x4000, b"\0"), bytes.fromhex("00 C0 05 80 01 20 00 01"))
        video.control(0x00, 0x01)
        video.to_line(20)
        video.bench.write(1, 0)
        video.bench.write(1, 0)
        assert video.bench.read(0) == expected


@pytest.mark.parametrize(("fetch_ns", "old"), [(0, False), (400, False), (1_200, True)])
def test_a_microcontroller_has_the_byte_read_ahead_some_time_after_an_access(make_video, fetch_ns, old):
    """At 2 MHz the strobes of a read after an address end 500 ns apart; writes are taken at once all the same."""
    video = make_video(clock_hz=2_000_000, socket="microcontroller", fetch_ns=fetch_ns)
    video.poke(bytes([7, 8, *bytes(0xFE), 9]).ljust(0x4000, b"\0"), bytes.fromhex("00 C0 05 80 01 20 00 01"))
    video.control(0x00, 0x01)
    video.to_line(20)
    video.bench.write(1, 0)
    video.bench.write(1, 0)
    assert video.bench.read(0) == (9 if old else 7)
    assert ("video-fetch-not-ready" in video.rules()) is old
    video.control(0x00, 0x40)
    for value in (1, 2, 3):
        video.bench.write(0, value)
    assert bytes(video.card.look(video.bench.cycle)[0][:3]) == b"\1\2\3"


def test_strobes_too_narrow_for_the_chip_are_a_note_on_a_replacement(make_video):
    """8 MHz: PHI2 is high for 62 ns, the chip wants 200 (data manual, section 4, from memory)."""
    video = make_video(clock_hz=8_000_000, socket="programmable logic")
    video.control(0x00, 0x40)
    assert video.rules() == {"video-faster-than-the-chip"}
    assert "62 ns" in video.bench.findings[0].message


@given(
    edges=st.lists(st.integers(0, 400_000)),
    r1=st.sampled_from([GRAPHICS, TEXT, MULTICOLOR, OFF]),
    frame=st.integers(0, 2),
    phase=st.integers(0, 15),
    replaced=st.booleans(),
)
def test_many_writes_go_in_when_each_would_alone(edges, r1, frame, phase, replaced):
    pacing = Pacing(Raster(262, 256), phase, slow_multicolor=False, tell_multicolor=False, replaced=replaced)
    pacing.set_tables(decode(bytes([0, r1, 5, 0x80, 1, 0x20, 0, 1])))
    pacing.start_frame(frame)
    assert pacing.moments(edges) == [pacing.times(edge)[0] for edge in edges]
