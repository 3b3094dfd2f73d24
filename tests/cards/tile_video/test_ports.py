"""Ports, status, interrupt and reset of the tile-video card.

[PG] is Texas Instruments, Video Display Processors Programmer's Guide, 1984; [YOUNG] is S. Young, TMS9918A VDP, almost
complete description including undocumented features, 0.4.2, 2002; [PARTS] is M. Hagerty, measurements on parts: version
history and comments, which quote the data manual and tests on parts.
"""

from fractions import Fraction

import pytest

from simkit import Machine
from simkit.contract import StateError

ON, IE, K16 = 0x40, 0x20, 0x80
QUIET = bytes(0x1000) + b"\xd0" + bytes(0x2FFF)  # graphics I of table 6-1 without a sprite
GRAPHICS_1 = bytes.fromhex("00 C0 05 80 01 20 00 01")


def test_register_write_leaves_its_bytes_in_the_counter(video):
    """$01, $87: register 7 := $01, no prefetch; counter $0701, arithmetic data manual 2.1 quoted by [PARTS]."""
    video.control(0x01, 0x87)
    assert video.card.save(video.bench.cycle)["registers"][7] == 0x01
    assert video.counter() == 0x0701


def test_write_set_up_and_a_byte(video):
    """[PG] example 4-2: $A0, $60, then $00 goes to $20A0; the counter steps."""
    video.register(1, K16)
    video.control(0xA0, 0x60)
    video.data([0x5A])
    assert (video.memory(0x20A0), video.counter()) == (0x5A, 0x20A1)


def test_read_set_up_fetches_ahead(video):
    """[PG] example 4-3: $A0, $20, then reads; counter one ahead, SYM page 12: each read fetches one ahead."""
    video.register(1, K16)
    video.store(0x20A0, [0x11, 0x22, 0x33])
    video.control(0xA0, 0x20)
    assert video.counter() == 0x20A1
    assert video.read_data() == 0x11
    assert video.counter() == 0x20A2
    assert [video.read_data(), video.read_data()] == [0x22, 0x33]


def test_counter_wraps_at_16k(video):
    """[YOUNG] 2.1: $3FFF is followed by $0000."""
    video.register(1, K16)
    video.store(0x3FFF, [0xAA, 0xBB])
    assert (video.memory(0x3FFF), video.memory(0)) == (0xAA, 0xBB)


def test_written_byte_is_in_the_read_ahead_buffer(video):
    """[YOUNG] 2.1: a data write sets the buffer; a read straight after gives that byte, not memory."""
    video.register(1, K16)
    video.store(1, [0x99])
    video.store(0, [0x55])
    assert video.read_data() == 0x55
    assert video.read_data() == 0x99


def test_write_after_a_read_set_up_lands_one_higher(video):
    """Arithmetic from [YOUNG] 2.1: one counter, already stepped by the fetch."""
    video.register(1, K16)
    video.control(0x00, 0x00)
    video.data([0xAA])
    assert video.memory(1) == 0xAA


@pytest.mark.parametrize("by", ["status read", "data read", "data write"])
def test_what_makes_the_next_control_byte_a_first_one(video, by):
    """[YOUNG] 2.3: status read, data read and data write reset the flip-flop; the first $12 is dropped."""
    video.control(0x12)
    {"status read": video.status, "data read": video.read_data, "data write": lambda: video.data([0])}[by]()
    video.bench.run(20)
    video.control(0x34, 0x81)
    assert video.card.save(video.bench.cycle)["registers"][1] == 0x34
    assert "video-pair-broken" in video.rules()


def test_nothing_times_the_flip_flop_out(video):
    video.control(0x12)
    video.bench.run(5_000_000)
    video.bench.write(1, 0x87)
    assert video.card.save(video.bench.cycle)["registers"][7] == 0x12


@pytest.mark.parametrize(("second", "register"), [(0xB9, 1), (0xC7, 7), (0x87, 7), (0xFF, 7)])
def test_register_number_is_the_low_three_bits(video, second, register):
    """[YOUNG] 2.2 and [PARTS] "Unlocking": $B9 writes register 1; 11xxxrrr writes too (found on a real part)."""
    video.control(0x5A & 0x9F, second)
    assert video.card.save(video.bench.cycle)["registers"][register] == 0x1A


def test_first_control_byte_reaches_the_counter_at_once_or_with_the_second(make_video):
    """[PARTS] loads the low half on the first byte; other texts imply the second. A setting chooses."""
    for setting, address in (("at once", 0x0077), ("with the second", 0x0005)):
        video = make_video(first_byte=setting)
        video.register(1, K16)
        video.control(0x05, 0x40)
        video.control(0x77)
        video.data([0xEE])
        assert video.memory(address) == 0xEE


def test_bytes_of_4k_addressing_lie_elsewhere_in_16k(video):
    """[YOUNG] 2.1, measured: $1000 written with 4/16K = 0 is at $0040 with it set; $0040 at $0080."""
    video.register(1, 0)
    video.store(0x1000, [0xA1])
    video.store(0x0040, [0xA2])
    video.register(1, K16)
    video.control(0x40, 0x00)
    assert video.read_data() == 0xA1
    video.control(0x80, 0x00)
    assert video.read_data() == 0xA2


def test_reset_clears_registers_0_and_1_and_keeps_memory(video):
    """Data manual 2.1.7 quoted by [PARTS]; flags [PG] 5.2."""
    video.registers(bytes.fromhex("03 E2 05 80 01 20 00 17"))
    video.store(0x1234, [0x77])
    video.frames(1)
    video.control(0x55)
    video.bench.reset()
    state = video.card.save(video.bench.cycle)
    assert state["registers"][:2] == [0, 0]
    assert state["registers"][2:] == [0x05, 0x80, 0x01, 0x20, 0x00, 0x17]
    assert state["memory"][0x1234] == 0x77
    assert video.bench.level("INT")
    assert video.status() & 0xE0 == 0
    assert not state["ports"]["second"]


@pytest.mark.parametrize(
    ("setting", "cycles", "told"), [(3, 2, True), (3, 3, False), (3000, 2999, True), (3000, 3000, False)]
)
def test_least_width_of_a_reset_is_a_setting(make_video, setting, cycles, told):
    """3 us: data manual 2.1.7, from memory, the default; 3 ms: public notes. At 1 MHz; the power-up reset is none."""
    video = make_video(reset_us=setting)
    video.bench.run(1000)
    assert not video.rules()
    video.bench.reset(cycles)
    assert video.rules() == ({"video-reset-too-short"} if told else set())
    assert video.card.settings.reset_us == setting
    assert make_video().card.settings.reset_us == 3


@pytest.mark.parametrize("clock", ["0.5 MHz", "2 MHz", "4 MHz", "8 MHz"])
def test_the_reset_button_is_long_enough_at_any_clock(clock):
    machine = Machine.load("demo:marlpit", clock=clock)
    machine.run(cycles=50_000)
    machine.reset()
    machine.run(cycles=100)
    assert "video-reset-too-short" not in {finding.rule for finding in machine.findings}


def test_power_up_memory_depends_on_the_seed_alone(make_video):
    first, second = make_video(), make_video()
    assert first.card.save(0)["memory"] == second.card.save(0)["memory"]
    assert len(set(first.card.save(0)["memory"])) > 200


# Status and interrupt --------------------------------------------------------------------------------------------


def quiet(video, r1=0xC0):
    video.poke(QUIET, GRAPHICS_1[:1] + bytes([r1]) + GRAPHICS_1[2:])
    video.frames(1)
    video.status()


def test_f_is_set_after_the_last_active_line_and_cleared_by_a_read(video):
    """[PG] 5.2.1; the dot is not published, by default after dot 255 of line 191."""
    quiet(video)
    video.to_line(191, 250)
    assert not video.bench.peek(1) & 0x80
    video.to_line(191, 262)
    assert video.status() & 0x80
    assert not video.status() & 0x80


@pytest.mark.parametrize("r1", [0x80, 0xC0, 0xE0])
def test_f_is_set_every_frame_blanked_or_not_with_or_without_interrupt(video, r1):
    """[PG] 5.2.1; while blanked: from memory."""
    quiet(video, r1)
    for _ in range(3):
        video.frames(1)
        assert video.status() & 0x80


def test_int_is_low_while_f_and_ie(video):
    """[PG] 5.2.1, [YOUNG] 2.4: a level, not a pulse; released by the status read."""
    quiet(video, 0xE0)
    video.to_line(191, 250)
    assert video.bench.level("INT")
    video.to_line(200)
    assert not video.bench.level("INT")
    video.to_line(100)
    assert not video.bench.level("INT")
    video.status()
    assert video.bench.level("INT")


def test_enabling_the_interrupt_while_f_is_set_pulls_int_at_once(video):
    """[YOUNG] 2.4; clearing IE lets go without clearing F (follows)."""
    quiet(video)
    video.frames(1)
    assert video.bench.level("INT")
    video.register(1, 0xE0)
    assert not video.bench.level("INT")
    assert "video-stale-interrupt" in video.rules()
    video.register(1, 0xC0)
    assert video.bench.level("INT")
    assert video.status() & 0x80


def test_unanswered_interrupt_is_told_once(video):
    """[PG] 5.2.1 note: INT stays low for ever."""
    quiet(video, 0xE0)
    video.frames(4)
    assert [finding.rule for finding in video.bench.findings].count("video-interrupt-unanswered") == 1


def test_frames_unanswered_are_counted_in_words(video):
    """[PG] 5.2.1 note: INT stays low, frames meanwhile cannot be told apart by the program."""
    quiet(video, 0xE0)
    video.frames(4)
    assert "frames that ended with INT low, status unread: 3" in video.card.words(video.bench.cycle)
    video.status()
    assert not any("status unread" in line for line in video.card.words(video.bench.cycle))
    video.frames(1)
    assert not any("status unread" in line for line in video.card.words(video.bench.cycle))


def test_a_status_read_clears_all_three_flags_and_keeps_the_number(video):
    """[PG] 5.2.1 to 5.2.3 clear F, C and 5S; [YOUNG] 2.2 lists only F and C; [PG] is followed."""
    attributes = bytes([50, 10, 0, 1] * 6 + [0xD0]) + bytes(103)
    video.poke(b"\xff" * 0x1000 + attributes + bytes(0x4000 - 0x1080), GRAPHICS_1)
    video.frames(1)
    assert video.status() == 0xE4
    assert video.status() == 0x04


def test_poll_race_can_lose_the_flag(make_video):
    """[PARTS] v1.5, v1.9: a read as F is set can lose it; off by default, and how often is not published."""
    lost = []
    for race in ("off", "on"):
        video = make_video(poll_race=race)
        quiet(video)
        missed = 0
        for _ in range(12):
            end = video.card._crystal.first_cycle_at(video.card._end_tick)
            video.bench.run_to(end - 1)
            assert not video.status() & 0x80
            missed += not video.status() & 0x80
        lost.append(missed)
    assert lost[0] == 0
    assert 0 < lost[1] < 12


def test_poll_race_can_lose_a_coincidence(make_video):
    """[PARTS] v1.5, v1.9: the same for C. The dot is 108 of line 100; the cycle of that moment is arithmetic."""
    for race in ("off", "on"):
        lost = 0
        for frame in range(12):
            video = make_video(poll_race=race)
            attributes = bytes([99, 100, 0, 1, 99, 107, 1, 1, 0xD0]) + bytes(119)  # one dot: 7 of one, 0 of the other
            memory = b"\1" + bytes(7) + b"\x80" + bytes(0x1000 - 9) + attributes + bytes(0x4000 - 0x1080)
            video.poke(memory, GRAPHICS_1)
            video.frames(1 + frame)
            video.status()
            moment = video.card._raster.tick_of(100 * 256 + 107, video.card._frame)
            cycle = video.card._crystal.first_cycle_at(moment) - 1
            promised = video.card.steady_until(1, video.bench.cycle)
            assert promised <= cycle + (race == "off")
            video.bench.run_to(cycle)
            assert not video.status() & 0x20
            video.to_line(150)
            lost += not video.bench.peek(1) & 0x20
            assert ("video-flag-lost" in video.rules()) is (not video.bench.peek(1) & 0x20)
        assert 0 < lost < 12 if race == "on" else lost == 0


def test_push_pull_output_drives_high(make_video):
    """Schematic notes of an open 9918A card (2018-2020): the chip's output is not open collector."""
    video = make_video(interrupt_output="push-pull")
    video.bench.pull("INT", False)
    assert "output-fight" in video.rules()


# Raster time -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("part", "clock", "cycles"),
    [
        ("9918A", Fraction(1_000_000), "16688.15"),
        ("9918A", Fraction(10_738_635, 6), "29868.00"),
        ("9918A", Fraction(2_000_000), "33376.31"),
        ("9918A", Fraction(10_738_635, 3), "59736.00"),
        ("9918A", Fraction(4_000_000), "66752.62"),
        ("9929A", Fraction(1_000_000), "19936.61"),
        ("9929A", Fraction(10_738_635, 6), "35682.00"),
        ("9929A", Fraction(2_000_000), "39873.22"),
        ("9929A", Fraction(10_738_635, 3), "71364.00"),
    ],
)
def test_cycles_between_interrupts(make_video, part, clock, cycles):
    """342 dots of two crystal periods, 262 or 313 lines (gateware documents); arithmetic. No drift over 50 frames."""
    video = make_video(part=part, clock_hz=clock)
    frame_cycles = video.card.slot.ports["screen"].frame_cycles
    assert f"{float(frame_cycles):.2f}" == cycles
    quiet_end = []
    video.poke(QUIET, GRAPHICS_1)
    for _ in range(50):
        video.bench.run_to(video.card._crystal.first_cycle_at(video.card._end_tick) + 1)
        quiet_end.append(video.bench.cycle - 1)
    assert abs(quiet_end[-1] - quiet_end[0] - 49 * frame_cycles) < 1


def test_interrupt_leaves_70_lines_to_the_first_active_one(video):
    """262 - 192 lines are 4458.67 us; [PG] appendix B guarantees 4300."""
    raster = video.card._raster
    ticks = raster.start + raster.frame_ticks - raster.end_tick(0)
    assert round((ticks - 86 * 2) / 10.738635, 2) == 4458.67


def test_margins_and_lines_make_up_the_frame(make_video):
    """284 dots and 243 lines shown at 60 Hz, three lines more above: gateware quirks document, section Video timing."""
    left, right, top, bottom = make_video().card.slot.ports["screen"].margins
    assert (left + 256 + right, top + 192 + bottom, top - bottom) == (284, 243, 3)


@pytest.mark.parametrize("top", [None, 0, 40, 102])
def test_split_of_the_50_hz_border_is_a_setting(make_video, top):
    """54 above and 48 below from memory; 313 lines (notes on measurements on parts) leave 102. 60 Hz has none."""
    options = {} if top is None else {"top_border_50_hz": top}
    above = 54 if top is None else top
    assert make_video(part="9929A", **options).card.slot.ports["screen"].margins == (13, 15, above, 102 - above)
    assert make_video(**options).card.slot.ports["screen"].margins == (13, 15, 27, 24)


# Promises and state ----------------------------------------------------------------------------------------------


def test_steady_until_keeps_its_promise_and_reaches_the_frame_end(video):
    quiet(video)
    promised = video.card.steady_until(1, video.bench.cycle)
    assert promised == video.card._crystal.first_cycle_at(video.card._end_tick)
    value = video.bench.peek(1)
    while video.bench.cycle < promised:
        assert video.status() == value
        video.bench.run(97)


def test_steady_until_stops_before_sprites_meet(video):
    attributes = bytes([99, 10, 0, 1, 99, 12, 0, 1, 0xD0]) + bytes(119)
    video.poke(b"\xff" * 0x1000 + attributes + bytes(0x4000 - 0x1080), GRAPHICS_1)
    video.frames(1)
    video.status()
    promised = video.card.steady_until(1, video.bench.cycle)
    video.bench.run_to(promised - 1)
    assert not video.bench.peek(1) & 0x20
    video.bench.run_to(promised + 1)
    assert video.bench.peek(1) & 0x20
    assert video.card.steady_until(0, video.bench.cycle) == video.bench.cycle


def test_loaded_state_goes_on_as_the_first_with_pictures(make_video):
    first = make_video()
    first.poke(bytes(first.card.save(first.bench.cycle)["memory"]), bytes.fromhex("02 E3 0E FF 03 76 03 0F"))
    first.frames(2)
    first.to_line(90)
    first.store(0x3800, [1, 2, 3])
    state = first.bench.save()
    second = make_video()
    second.bench.load(state, first.bench.cycle)
    for video in (first, second):
        video.register(7, 5)
        video.frames(1)
    assert (first.picture() == second.picture()).all()
    assert first.bench.save() == second.bench.save()


@pytest.mark.parametrize(
    "damage",
    [{"memory": b""}, {"pixels": bytes(3)}, {"registers": [1]}, {"journal": [[0, 0x4000, 0]]}, {"ports": {}}],
)
def test_damaged_state_is_refused_and_changes_nothing(video, damage):
    video.register(7, 5)
    before = video.card.save(video.bench.cycle)
    with pytest.raises(StateError):
        video.card.load({**before, **damage})
    assert video.card.save(video.bench.cycle) == before


def test_text_of_the_screen(video):
    """Names are ASCII codes by common practice; blank lines round the text are left out."""
    memory = bytearray(QUIET)
    memory[0x1400:0x1700] = b" " * 768
    memory[0x1400 + 64 : 0x1400 + 70] = b"SEED 1"
    memory[0x1400 + 128 : 0x1400 + 135] = b"\x00DRAWER"
    video.poke(bytes(memory), GRAPHICS_1)
    assert video.card.slot.ports["screen"].text(video.bench.cycle) == "SEED 1\n\n DRAWER"
