"""The pytest plug-in as a ROM's author uses it, in a folder of its own."""

import json
import re
from pathlib import Path

import numpy as np  # loaded here, as pytester forgets modules after each run and numpy loads only once
import pytest
from PIL import Image

pytest_plugins = "pytester"

ROOT = Path(__file__).resolve().parents[2]
MACHINE = """
name = "Small"
clock = "1 MHz"
cpu = "65C02"
[[card]]
slot = 1
kind = "sram"
select = "0xxx xxxx xxxx xxxx"
[[card]]
slot = 2
kind = "rom"
select = "1xxx xxxx xxxx xxxx"
image = "small.bin"
labels = "small.labels"
"""
# 8000 LDX #$FF, TXS, LDA #0, STA $10; 8007 loop: INC $10, BNE loop, JMP loop; 8010 twice: ASL, RTS; 8012 hang: JMP hang
CODE = bytes.fromhex("A2FF9AA9008510E610D0FC4C0780") + b"\xff\xff" + bytes.fromhex("0A604C1280")


@pytest.fixture
def folder(pytester):
    """A machine with a small ROM and an ini file that names it."""
    image = bytearray(b"\xff" * 32768)
    image[: len(CODE)] = CODE
    image[0x7FFA:] = bytes.fromhex("008000800080")
    (pytester.path / "small.bin").write_bytes(image)
    (pytester.path / "small.labels").write_text(
        "COUNT = $0010\nstart = $8000\nloop = $8007\ntwice = $8010\nhang = $8012\n"
    )
    (pytester.path / "machine.toml").write_text(MACHINE)
    pytester.makeini("[pytest]\nsimkit_machine = machine.toml\nfilterwarnings = error\n")
    return pytester


def test_the_fixture_gives_a_machine_just_switched_on(folder):
    folder.makepyfile(
        "def test_a(machine):\n    assert machine.cycle == 0\n    assert machine.run(label='loop') == 16\n"
    )
    folder.runpytest("-p", "no:cacheprovider").assert_outcomes(passed=1)


def test_tests_begin_at_the_boot_place_and_do_not_see_each_other(folder):
    folder.makepyfile(
        """
        import pytest
        pytestmark = pytest.mark.machine(boot="label:loop")
        @pytest.mark.parametrize("n", range(3))
        def test_a(machine, n):
            assert machine.cpu.pc == machine.labels["loop"]
            assert machine.peek(0x10) == 0
            machine.run(cycles=100)
            assert machine.peek(0x10) > 5
        """
    )
    folder.runpytest().assert_outcomes(passed=3)


def test_the_boot_place_is_run_to_once(folder):
    folder.makepyfile(
        """
        import pytest, simkit.machine.machine
        runs = []
        original = simkit.machine.machine.Machine.run
        @pytest.fixture(autouse=True)
        def counted(monkeypatch):
            def run(self, moment):
                runs.append(moment)
                return original(self, moment)
            monkeypatch.setattr(simkit.machine.machine.Machine, "run", run)
        @pytest.mark.parametrize("n", range(4))
        @pytest.mark.machine(boot="50c")
        def test_a(counted, machine, n):
            assert [str(moment) for moment in runs] == ["50c"]
        """
    )
    folder.runpytest().assert_outcomes(passed=4)


def test_a_function_plays_the_machine_to_where_tests_begin_and_runs_once(folder):
    folder.makepyfile(
        """
        import pytest
        played = []
        def begin(machine):
            played.append(machine)
            machine.run(label="loop")
            machine.poke(0x10, 77)
        @pytest.mark.parametrize("n", range(3))
        @pytest.mark.machine(boot=begin)
        def test_a(machine, n):
            assert len(played) == 1
            assert machine.peek(0x10) == 77
        """
    )
    folder.runpytest().assert_outcomes(passed=3)


def test_one_test_gets_several_machines(folder):
    folder.makepyfile(
        """
        def test_a(load_machine, machine):
            other = load_machine(seed=5, engine="exact", boot="label:loop")
            assert other.cycle == 16 and machine.cycle == 0
            assert other.peek(0x20, 64) != machine.peek(0x20, 64)
        def test_b(load_machine):
            load_machine().run(cycles=30)
            load_machine().run(cycles=60)
            assert 0
        """
    )
    result = folder.runpytest()
    result.assert_outcomes(passed=1, failed=1)
    result.stdout.fnmatch_lines(["*machine Small*", "cycle 3? *", "*machine Small*", "cycle 6? *"])


def test_the_marker_changes_machine_and_clock(folder):
    (folder.path / "other").mkdir()
    (folder.path / "other" / "machine.toml").write_text(MACHINE.replace("Small", "Other").replace("small", "../small"))
    folder.makepyfile(
        """
        import pytest
        @pytest.mark.machine("other", clock="4 MHz", images={2: bytes(32768)})
        def test_a(machine):
            assert machine.description.name == "Other"
            assert machine.description.clock_hz == 4_000_000
            assert machine.peek(0x8000) == 0
        """
    )
    folder.runpytest().assert_outcomes(passed=1)


@pytest.mark.parametrize(
    ("marker", "message"),
    [
        ("clok='1 MHz'", "*marker machine: unknown clok*"),
        ("boot='soon'", "*boot: 'soon' is not a moment: there is no time*"),
        ("boot='label:loop#0'", "*boot: 'label:loop#0' is not a moment: this is no number of times*"),
        ("'nowhere.toml'", "*There is no machine at*nowhere.toml*"),
    ],
)
def test_a_wrong_marker_is_told(folder, marker, message):
    folder.makepyfile(f"import pytest\n@pytest.mark.machine({marker})\ndef test_a(machine):\n    pass\n")
    result = folder.runpytest()
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines([message])


def test_without_a_machine_the_ini_option_is_named(folder):
    folder.makeini("[pytest]\n")
    folder.makepyfile("def test_a(machine):\n    pass\n")
    folder.runpytest().stdout.fnmatch_lines(["*set simkit_machine in the ini file*"])


def test_a_failure_shows_what_the_machine_last_did(folder):
    folder.makepyfile("def test_a(machine):\n    machine.run(cycles=40)\n    assert machine.peek(0x10) == 99\n")
    result = folder.runpytest()
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(
        [
            "*machine Small*",
            "cycle 4? (*",
            "last instructions:",
            "*$8007  loop: INC COUNT*",
            "next at $80*; A $00, X $FF*",
        ]
    )


def test_a_failure_saves_the_picture(pytester):
    pytester.makepyfile(
        """
        import pytest
        @pytest.mark.machine("demo:marlpit")
        def test_a(machine):
            machine.run(frames=2)
            assert 0
        """
    )
    result = pytester.runpytest()
    line = next(line for line in result.stdout.lines if line.startswith("picture: "))
    assert Path(line.removeprefix("picture: ")).read_bytes().startswith(b"\x89PNG")


def test_a_routine_is_called_with_registers_and_memory(folder):
    folder.makepyfile(
        """
        import pytest
        from simkit.contract.errors import SimkitError
        def test_a(machine):
            result = machine.call("twice", a=0xC1, x=3, carry=False, memory={"COUNT": b"\\x05\\x06"})
            assert (result.a, result.x, result.carry, result.negative, result.zero) == (0x82, 3, True, True, False)
            assert result.cycles == 8  # ASL 2, RTS 6: W65C02S data sheet, table 6-4
            assert result.written == {}
            assert machine.peek(0x10, 2) == b"\\x05\\x06"
        def test_b(machine):
            with pytest.raises(SimkitError, match="hang did not return within 0.001 s"):
                machine.call("hang", timeout=0.001)
        def test_c(machine):
            with pytest.raises(SimkitError, match="There is no label 'twize'"):
                machine.call("twize")
            with pytest.raises(SimkitError, match="a = 256 is not a byte"):
                machine.call("twice", a=256)
        def test_d(machine):
            machine.run(label="loop")
            before = (machine.cpu.pc, machine.cpu.sp)
            machine.call("twice", a=1)
            assert (machine.cpu.pc, machine.cpu.sp) == before
        @pytest.mark.parametrize("own", [0x7F, 0xFF, 0x10])
        @pytest.mark.parametrize("seed", range(4))
        def test_a_stack_of_its_own(load_machine, own, seed):
            machine = load_machine(seed=seed)
            machine.run(cycles=7)
            for n, byte in enumerate(bytes.fromhex(f"BA 86 40 A2 {own:02X} 9A 08 28 A6 40 9A A9 05 60")):
                machine.poke(0x300 + n, byte)
            before = machine.cpu.sp
            assert machine.call(0x300).a == 5
            assert machine.cpu.sp == before
        @pytest.mark.parametrize("code", ["CB 80 FD", "DB"])
        def test_a_program_that_stands_still(machine, code):
            machine.run(cycles=7)
            for n, byte in enumerate(bytes.fromhex(code)):
                machine.poke(0x200 + n, byte)
            machine.cpu.pc = 0x200
            machine.run(cycles=20)
            if code == "DB":
                with pytest.raises(SimkitError, match="the CPU is stopped by STP"):
                    machine.call("twice", a=1)
                return
            assert machine.cpu.waiting
            assert machine.call("twice", a=1).a == 2
            assert machine.cpu.waiting
            assert machine.cpu.pc == 0x201
        """
    )
    folder.runpytest().assert_outcomes(passed=18)


def test_a_failure_tells_where_the_program_left_its_code_and_what_led_to_the_first_finding(folder):
    folder.makepyfile(
        """
        def test_a(machine):
            machine.run(label="loop")
            for n, byte in enumerate(bytes.fromhex("8D0080 4C0090")):  # STA $8000, a ROM; JMP $9000, filler
                machine.poke(0x8007 + n, byte)
            machine.run(cycles=400)
            assert 0
        """
    )
    result = folder.runpytest()
    result.stdout.fnmatch_lines(
        [
            "last instructions:",
            "ran-away: *filler of the ROM at $9000 in cycle 23, after the instruction at $800A (loop+3).",
            "instructions before it:",
            "*$8007  loop: STA start",
            "*$800A  loop+3: JMP $9000",
            "findings (*):",
            "*cycle 19 at $8007 (loop): write-to-rom*",
            "instructions before the first of the run (write-to-rom, cycle 19):",
            "*$8005  start+5: STA COUNT",
            "*$8007  loop: STA start",
        ]
    )


LOST_TEST = """
import pytest
ROM = bytes.fromhex("A2FF9A A941 201080 4C0880 FFFFFFFFFF 48EA60")
IMAGE = ROM + bytes([255]) * (0x7FFA - len(ROM)) + bytes.fromhex("008000800080")
pytestmark = pytest.mark.machine("demo:bench", images={2: IMAGE}, compare=False)
def test_a(machine):
    machine.run(cycles=400)
    assert 0
@pytest.mark.machine(boot="10c")
def test_b(machine):
    machine.run(cycles=400)
    assert 0
@pytest.mark.machine(boot="10c")
def test_c(machine):
    machine.run(cycles=400)
    assert 0
"""


def test_a_failure_tells_how_a_lost_program_left_its_code(pytester):
    """Also where the machine began with the state of another one, behind `boot`."""
    pytester.makepyfile(LOST_TEST)
    result = pytester.runpytest()
    result.assert_outcomes(failed=3)
    told = [line for line in result.stdout.lines if line.startswith("The program left its code in cycle 30;")]
    assert len(told) == 3
    how = [line for line in result.stdout.lines if "How: RTS at $8012" in line and "pushed by PHA at $8010" in line]
    assert len(how) == 3


LUCKY_TEST = """
import pytest
ROM = bytes.fromhex("AD0003 8D0103 4C0680")  # LDA $0300, which nobody wrote, STA $0301
IMAGE = ROM + bytes([255]) * (0x7FFA - len(ROM)) + bytes.fromhex("008000800080")
pytestmark = pytest.mark.machine("demo:bench", images={2: IMAGE}, compare=False)
def test_a(machine):
    machine.run(cycles=400)
    assert machine.peek(0x301) == 0
@pytest.mark.machine(boot="10c")
def test_b(machine):
    machine.run(cycles=400)
    assert machine.peek(0x8000) == 0xAD
def test_c():
    pass
"""


def test_tests_of_machines_are_run_over_power_ups(pytester):
    """The bench machine's RAM comes up as zeros; others with all $00, all $FF, stripes (zeros there) and noise."""
    pytester.makepyfile(LUCKY_TEST)
    pytester.runpytest().assert_outcomes(passed=3)
    result = pytester.runpytest("--simkit-power-ups=5")
    result.assert_outcomes(passed=9, failed=2)
    result.stdout.fnmatch_lines(["*test_a[[]power-up-2[]]*", "*works by luck there*"])
    result.stdout.no_fnmatch_line("*FAILED*test_a[[]power-up-1[]]*")


def test_no_power_ups_at_all_are_refused(pytester):
    result = pytester.runpytest("--simkit-power-ups=0")
    result.stderr.fnmatch_lines(["*--simkit-power-ups=0: a machine comes up once at least*"])


PICTURE_TEST = """
import pytest
@pytest.mark.machine("demo:marlpit", boot="2f")
def test_a(machine, golden):
    golden(machine.screen, "start")
"""


def test_a_picture_is_accepted_then_compared_and_a_difference_is_drawn(pytester):
    pytester.makepyfile(PICTURE_TEST)
    first = pytester.runpytest()
    first.assert_outcomes(failed=1)
    first.stdout.fnmatch_lines(["*there is no golden picture*--simkit-accept*"])
    pytester.runpytest("--simkit-accept").assert_outcomes(passed=1)
    pytester.runpytest().assert_outcomes(passed=1)
    path = pytester.path / "golden" / "start.png"
    with Image.open(path) as kept:
        kept.putpixel((7, 5), kept.getpixel((7, 5)) ^ 1)
        kept.save(path, optimize=False)
    wrong = pytester.runpytest()
    wrong.assert_outcomes(failed=1)
    assert "1 pixels differ" in wrong.stdout.str()
    with Image.open(next((pytester.path / ".pytest_cache").rglob("start-difference.png"))) as drawn:
        marks = np.array(drawn.convert("RGB"))[:, -256:]
    assert [tuple(at) for at in zip(*marks.any(axis=2).nonzero(), strict=True)] == [(5, 7)]


def test_pictures_compare_numbers_not_colours(pytester):
    """Another reading of the maker's colour levels changes the palette, and no picture."""
    pytester.makepyfile(PICTURE_TEST)
    pytester.runpytest("--simkit-accept").assert_outcomes(passed=1)
    path = pytester.path / "golden" / "start.png"
    with Image.open(path) as kept:
        kept.putpalette([255 - level for level in kept.getpalette()])
        kept.save(path)
    pytester.runpytest().assert_outcomes(passed=1)


def test_a_picture_that_holds_colours_is_refused_with_what_to_do(pytester):
    pytester.makepyfile(PICTURE_TEST)
    (pytester.path / "golden").mkdir()
    Image.new("RGB", (256, 192)).save(pytester.path / "golden" / "start.png")
    wrong = pytester.runpytest()
    wrong.assert_outcomes(failed=1)
    wrong.stdout.fnmatch_lines(["*holds colours, and colour numbers are compared*", "*pytest --simkit-accept*"])


def test_a_picture_name_stays_in_its_folder(pytester):
    pytester.makepyfile(PICTURE_TEST.replace('"start"', '"../start"'))
    pytester.runpytest().stdout.fnmatch_lines(["*letters, digits, dot, dash and underscore only*"])


MISTAKES = {
    "no label": ("machine.call('twise')", "There is no label 'twise'"),
    "no byte": ("machine.call('twice', a=300)", "a = 300 is not a byte."),
    "no return": ("machine.call('hang', timeout=0.01)", "hang did not return within 0.01 s"),
    "no text": ("machine.run(screen_text='x')", "No card of this machine has a screen."),
    "a handler": (
        "machine.poke(0x200, 0x40); machine.call(0x200)",
        "$0200 ends with RTI at $0200, as a handler does.",
    ),
    "a surplus pull": (
        "machine.poke(0x200, 0x68); machine.poke(0x201, 0x60); machine.call(0x200)",
        "$0200 pulls more than it pushed: after the RTS at $0201 the stack pointer stands 1 above where it was",
    ),
    "another stack": ("machine.call('start', timeout=0.01)", "start did not return within 0.01 s"),
    "no moment": ("machine.run()", "run needs exactly one moment"),
}


def test_a_mistake_in_a_test_shows_the_test_and_not_the_insides_of_the_kit(folder):
    tests = [f"def test_{n}(machine):\n    {line}\n" for n, (line, _) in enumerate(MISTAKES.values())]
    folder.makepyfile("\n".join(tests))
    result = folder.runpytest()
    result.assert_outcomes(failed=len(MISTAKES))
    out = result.stdout.str()
    reports = dict(
        re.findall(r"^_+ test_(\d+) _+\n(.*?)(?=^_+ test_\d+ _+\n|^=+ short)", out, re.MULTILINE | re.DOTALL)
    )
    for n, (mistake, (line, message)) in enumerate(MISTAKES.items()):
        report = reports[str(n)]
        assert f">       {line}" in report or f">   {line}" in report, mistake
        assert message in report, mistake
    for inside in ("routine.py", "simkit/machine/machine.py", "views.py", "labels.py"):
        assert inside not in out


def test_a_missing_machine_is_one_message(pytester):
    pytester.makeini("[pytest]\nsimkit_machine = nowhere\n")
    pytester.makepyfile("def test_a(machine):\n    pass\n")
    result = pytester.runpytest()
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines(["*There is no machine at *nowhere*"])
    for inside in ("read.py", "machine.py:", "plugin.py:"):
        assert inside not in result.stdout.str()


@pytest.mark.parametrize("workers", [[], ["-n", "2"]], ids=["alone", "two workers"])
def test_coverage_of_the_tests_is_written(folder, workers):
    folder.makepyfile(
        """
        def test_a(machine):
            machine.run(cycles=60)
        def test_b(machine):
            machine.call("twice", a=1)
        """
    )
    run = folder.runpytest_subprocess if workers else folder.runpytest
    result = run("--simkit-coverage=counts.json", *workers)
    result.assert_outcomes(passed=2)
    result.stdout.fnmatch_lines(
        [
            "machine  instructions ran *branches both ways",
            "Small *6 of 7 *85 % *0 of 1 *0 %",
            "counts of Small: counts.json",
        ]
    )
    counts = json.loads((folder.path / "counts.json").read_text())
    assert {"8007", "8010", "8011"} <= set(counts["ran"])
    assert counts["ran"]["8010"] == 1
    assert counts["taken"]["8009"] > 3
    assert "8009" not in counts["passed"]


@pytest.mark.parametrize(
    ("named", "message"),
    [
        ("test_mine.py", "*something else than counts and is left alone*"),
        ("notes.json", "*something else than counts and is left alone*"),
        ("missing/counts.json", "*Name a file in a folder that is there*"),
        (".", "*it is a folder. Name a file*"),
    ],
)
def test_counts_are_never_written_over_another_file(folder, named, message):
    """`--simkit-coverage test_mine.py` takes the test file for the file of counts."""
    test = folder.makepyfile(test_mine="def test_a(machine):\n    machine.run(cycles=60)\n")
    (folder.path / "notes.json").write_text('{"mine": 1}')
    before = test.read_text()
    result = folder.runpytest("--simkit-coverage", named)
    result.stderr.fnmatch_lines([message])
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    assert test.read_text() == before
    assert (folder.path / "notes.json").read_text() == '{"mine": 1}'


def test_counts_of_an_earlier_run_are_replaced(folder):
    folder.makepyfile("def test_a(machine):\n    machine.run(cycles=60)\n")
    for _ in range(2):
        folder.runpytest("--simkit-coverage=counts.json").assert_outcomes(passed=1)
    assert json.loads((folder.path / "counts.json").read_text())["ran"]
    assert not list(folder.path.glob(".*.part"))


def test_the_plug_in_does_not_load_the_kit_before_a_test_asks(folder):
    folder.makepyfile(
        "import sys\ndef test_a():\n"
        "    loaded = {name.split('.')[0] for name in sys.modules}\n"
        "    assert not loaded & {'pygame', 'numpy', 'py65'}\n    assert 'simkit.machine.machine' not in sys.modules\n"
    )
    folder.runpytest_subprocess("-p", "no:hypothesispytest").assert_outcomes(passed=1)


def recorded(folder, name="tapes/evening.rec", seconds=0.2):
    from simkit import Machine, record

    path = folder.path / name
    path.parent.mkdir(exist_ok=True)
    machine = Machine.load(folder.path)
    with record(machine, path):
        machine.run(seconds=seconds)
    return path


def test_recordings_are_tests(folder):
    recorded(folder)
    recorded(folder, "other.rec")
    folder.makeini("[pytest]\nsimkit_machine = machine.toml\nsimkit_recordings = tapes/*.rec\nfilterwarnings = error\n")
    result = folder.runpytest("-v")
    result.assert_outcomes(passed=1)
    result.stdout.fnmatch_lines(["tapes/evening.rec::replay PASSED*"])


def test_a_recording_that_is_not_what_was_recorded_fails_with_its_words(folder):
    path = recorded(folder)
    text = path.read_text()
    head, mark, tail = text.rpartition('"cpu":"')
    path.write_text(f"{head}{mark}{'0' if tail[0] != '0' else '1'}{tail[1:]}")
    folder.makeini("[pytest]\nsimkit_machine = machine.toml\nsimkit_recordings = tapes/*.rec\nfilterwarnings = error\n")
    result = folder.runpytest()
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(["*evening.rec: *cpu*"])
    assert "Traceback" not in result.stdout.str()
    assert "player.py" not in result.stdout.str()


def test_a_recording_of_another_machine_fails_as_nothing_was_compared(folder):
    recorded(folder)
    toml = folder.path / "machine.toml"
    toml.write_text(f"seed = 99\n{toml.read_text()}")
    folder.makeini("[pytest]\nsimkit_machine = machine.toml\nsimkit_recordings = tapes/*.rec\nfilterwarnings = error\n")
    result = folder.runpytest()
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(["*Nothing of the recording was compared*", "*seed*"])
