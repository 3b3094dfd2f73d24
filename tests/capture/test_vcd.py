"""Value change dumps as real exporters write them are read, each habit of theirs; IEEE Std 1364-2005, clause 18."""

import io
from fractions import Fraction

import pytest
import vcd
from hypothesis import given
from hypothesis import strategies as st
from vcd.reader import TokenKind, tokenize

from simkit.capture.channels import Assignment, Reading
from simkit.contract.errors import SimkitError
from tests.capture.bench import everything, read_text, rows

HEAD = "$timescale 1 us $end $scope module t $end $var wire 1 ! a $end $var wire 1 # b $end $upscope $end\n"
HEAD += "$enddefinitions $end\n"


def test_tokens_count_not_lines():
    """The session tool writes all changes of a moment on the line of its time."""
    samples = read_text(HEAD + "#0 1! 0#\n#1 0!\n#4 1! 1#\n#20")
    assert rows(samples) == [(0, 1, 0), (1, 0, 0), (4, 3, 0)]
    assert (samples.names, samples.tick, samples.end, samples.period) == (("a", "b"), Fraction(1, 10**6), 20, None)


@pytest.mark.parametrize("code", ["#", "#5", "$", "0", "b1", "b", "r1.5", '"', "%", "!!", "x#", "~~~~~~~~~~~~"])
def test_an_identifier_code_may_be_any_word(code):
    head = f"$timescale 1 us $end $var wire 1 {code} a $end $var wire 4 & b $end $enddefinitions $end\n"
    reading = Reading(assigned=(Assignment("a", "A0"), Assignment("b[0]", "A1"), Assignment("b[3]", "A2")))
    samples = read_text(head + f"#0 1{code} b1 & #2 b1000 & 0{code} #3 0{code} b1001 &\n#9\n", reading)
    assert rows(samples) == [(0, 3, 0), (2, 4, 0), (3, 6, 0)]


def test_a_vector_of_any_code_is_read_by_its_position():
    head = "$timescale 1 us $end $var wire 2 b1 a $end $var wire 2 #7 c $end $enddefinitions $end\n"
    reading = Reading(assigned=tuple(Assignment(f"{v}[{n}]", f"{v.upper()}{n}") for v in "ac" for n in range(2)))
    samples = read_text(head + "#0 b10 b1 b1 #7 #4 b0 b1 #5 bx #7\n#9", reading)
    assert rows(samples) == [(0, 0b0110, 0), (4, 0b0100, 0), (5, 0b0000, 0b1100)]


@pytest.mark.parametrize(
    ("value", "levels", "unknown"),
    [("b1", 1, 0), ("bx1", 1, 14), ("bz", 0, 15), ("b0", 0, 0), ("B1010", 10, 0), ("bx10", 2, 12)],
)
def test_short_vectors_are_extended_by_their_left_digit(value, levels, unknown):
    """Clause 18.2.1: 0 for 0 and 1, otherwise x or z as the digit is."""
    head = "$timescale 1 us $end $var reg 4 ! d [3:0] $end $enddefinitions $end\n"
    reading = Reading(assigned=tuple(Assignment(f"d[{n}]", f"D{n}") for n in range(4)))
    assert rows(read_text(head + f"#0 {value} !\n#1", reading)) == [(0, levels, unknown)]


@pytest.mark.parametrize(
    ("name", "channel"),
    [("A 0", "A 0"), ("A[1]", "A[1]"), ("A [1]", "A [1]"), ("\\esc!x ", "esc!x"), ("d\xfc", "d\xfc"), ("/CS", "/CS")],
)
@pytest.mark.parametrize("encoding", ["utf-8", "latin-1"])
def test_names_may_hold_anything(name, channel, encoding):
    text = f"$timescale 1 us $end $var wire 1 ! {name} $end $enddefinitions $end\n#0 1!\n#1".encode(encoding)
    samples = read_text(text, Reading(assigned=(Assignment(channel, "A0"),)))
    assert (samples.names, rows(samples)) == ((channel,), [(0, 1, 0)])


def test_variables_with_one_code_are_one_signal_and_scopes_tell_names_apart():
    head = "$timescale 1 us $end $scope module cpu $end $var wire 1 ! a $end $upscope $end $scope module card $end "
    head += '$var wire 1 ! a $end $var wire 1 " b $end $upscope $end $var wire 1 $ b $end $enddefinitions $end\n'
    reading = Reading(assigned=(Assignment("a", "A0"), Assignment("card.b", "A1"), Assignment("b", "A2")))
    assert rows(read_text(head + '#0 1! 0" 1$\n#1', reading)) == [(0, 0b101, 0)]


@pytest.mark.parametrize(
    ("scale", "tick"),
    [
        ("1us", Fraction(1, 10**6)),
        ("100 ps", Fraction(1, 10**10)),
        ("\n\t10\n ns\n", Fraction(1, 10**8)),
        ("1 s", Fraction(1)),
    ],
)
def test_time_scales_are_written_in_many_ways(scale, tick):
    assert read_text(HEAD.replace("1 us", scale) + "#0 1!\n#1").tick == tick


@pytest.mark.parametrize(
    ("rate", "scale", "times"),
    [("24 MHz", "100 ps", [0, 417, 833, 1250, 1667, 2083]), ("3 MHz", "1 ns", [0, 333, 667, 1000, 1333, 1667])],
)
def test_times_that_a_scale_rounds_are_samples_of_the_rate_in_the_comment(rate, scale, times):
    """24 MHz in 100 ps: sample 1 at 417, 4 at 1667; as the session tool writes it."""
    text = f"$comment\n  Acquisition with 2/2 channels at {rate}\n$end\n" + HEAD.replace("1 us", scale)
    text += "".join(f"#{time} {number % 2}!\n" for number, time in enumerate(times))
    samples = read_text(text)
    assert samples.time.tolist() == list(range(len(times)))
    assert samples.period == 1
    assert samples.tick == 1 / (Fraction(rate.split()[0]) * 10**6)


def test_before_the_first_value_a_channel_is_unknown():
    assert rows(read_text(HEAD + "#5 1!\n#7 0#\n#9")) == [(5, 1, 2), (7, 1, 0)]


def test_initial_values_may_stand_in_dumpvars_and_be_x():
    text = HEAD + "#0\n$dumpvars\nx!\n0#\n$end\n#3 1!\n$dumpoff\nx! x#\n$end\n#9"
    assert rows(read_text(text)) == [(0, 0, 1), (3, 0, 3)]


def test_comments_between_changes_mean_nothing():
    text = HEAD + "#0 1! $comment #9 0! b10 # what\never $end 0#\n#2 0!\n#3"
    assert rows(read_text(text)) == [(0, 1, 0), (2, 0, 0)]


def test_equal_times_are_one_instant_and_times_that_go_back_are_refused():
    assert rows(read_text(HEAD + "#3 1!\n#3 0!\n0#\n#4 1!\n#5")) == [(3, 0, 0), (4, 1, 0)]
    with pytest.raises(SimkitError, match=r"a:5: Time goes back from 5 to 2\."):
        read_text(HEAD + "#0 1! 0#\n#5 0!\n#2 1!\n")


def test_a_file_that_was_cut_off_in_a_time_is_told_to_be_so():
    with pytest.raises(SimkitError, match=r"Time goes back from 15 to 2\.") as refused:
        read_text(HEAD + "#0 1! 0#\n#15 0!\n#2")
    assert "cut off" in str(refused.value.remedy)


def test_numbers_texts_and_events_are_left_out():
    head = (
        "$timescale 1 us $end $var real 64 r v $end $var wire 1 ! a $end $var event 1 e go $end $var string 0 s t $end"
    )
    text = head + " $enddefinitions $end\n#0 r1.5 r 1! 1e shello s\n#1 r-2e-7 r\n#2 0!\n#3"
    assert rows(read_text(text, everything(b"a"))) == [(0, 1, 0), (2, 0, 0)]


def test_the_end_is_the_last_time_alone_or_the_last_change():
    assert read_text(HEAD + "#0 1!\n#20\n").end == 20
    assert read_text(HEAD + "#0 1!\n#20 0!").end == 21


def test_line_ends_of_any_system_are_white_space():
    text = (HEAD + "#0 1! 0#\n#1 0!\n#4\n").replace("\n", "\r\n")
    assert rows(read_text(text)) == [(0, 1, 0), (1, 0, 0)]


@pytest.mark.parametrize(
    ("body", "message"),
    [
        ("#0 1%\n", r"a:3: '1%' is of no variable that is declared\."),
        ("#0 1! what\n", r"a:3: 'what' is no change and no time\."),
        ("#0 1!\n#1x 0!\n", r"a:4: A time is # and a number"),
        ("#-4 1!\n", r"a:3: A time is # and a number"),
        ("#0 b12 !\n", r"a:3: A vector is b and digits"),
        ("", "The capture holds no samples"),
        ("#0\n", "The capture holds no samples"),
    ],
)
def test_what_cannot_be_meant_is_told_with_its_line(body, message):
    with pytest.raises(SimkitError, match=message):
        read_text(HEAD + body)


def test_declarations_that_do_not_end_or_say_nonsense_are_told():
    with pytest.raises(SimkitError, match="The declarations do not end"):
        read_text("$timescale 1 us $end $var wire 1 ! a $end\n#0 1!\n")
    with pytest.raises(SimkitError, match=r"a:1: The time scale '2 us' is none"):
        read_text(HEAD.replace("1 us", "2 us") + "#0 1!\n")
    with pytest.raises(SimkitError, match="A variable has type, width, code and name"):
        read_text("$var wire x ! a $end $enddefinitions $end\n#0 1!\n", everything(b"a"))


DUMPS = st.lists(
    st.tuples(st.integers(0, 30), st.sampled_from("abcd"), st.sampled_from("01xz"), st.integers(0, 15)), max_size=40
)


@given(DUMPS, st.lists(st.integers(1, 40), max_size=20))
def test_any_dump_is_read_as_another_reader_reads_it_in_any_pieces(changes, pieces):
    """Written by pyvcd, and read by its tokenizer, change by change."""
    out = io.StringIO()
    with vcd.VCDWriter(out, timescale="1 ns", date="") as writer:
        one = {name: writer.register_var("s", name, "wire", size=1, init="x") for name in "abcd"}
        wide = writer.register_var("s", "w", "wire", size=4, init=0)
        time = 0
        for step, name, value, number in changes:
            time += step
            writer.change(one[name], time, value)
            writer.change(wide, time, number)
        writer.close(time + 1)
    text = out.getvalue().encode()
    reading = Reading(
        assigned=(
            *(Assignment(name, f"A{at}") for at, name in enumerate("abcd")),
            *(Assignment(f"w[{n}]", f"D{n}") for n in range(4)),
        )
    )
    found = rows(read_text(text, reading, pieces=pieces))
    assert found == list(_by_tokens(text))


def _by_tokens(text):
    """Rows of levels and unknown bits, from pyvcd's tokens."""
    bits: dict[str, tuple[int, int]] = {}
    now, levels, unknown, last = None, 0, 0xFF, None
    for token in tokenize(io.BytesIO(text)):
        if token.kind is TokenKind.VAR:
            at = "abcdw".index(token.var.reference)
            bits[token.var.id_code] = (at, token.var.size)
        elif token.kind is TokenKind.CHANGE_TIME:
            if now is not None and (levels, unknown) != last:
                yield now, levels, unknown
                last = levels, unknown
            now = token.time_change
        elif token.kind in (TokenKind.CHANGE_SCALAR, TokenKind.CHANGE_VECTOR):
            change = token.data
            at, size = bits[change.id_code]
            mask = (1 << size) - 1 << at
            levels, unknown = levels & ~mask, unknown & ~mask
            if change.value in ("x", "z"):
                unknown |= mask
            else:
                levels |= int(change.value) << at
    if now is not None and (levels, unknown) != last:
        yield now, levels, unknown
