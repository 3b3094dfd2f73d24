"""`simkit run --watch --build`: when the command runs, what comes of it, and that it is ended with the window."""

import os
import sys
import time

import pytest

from simkit.commands.building import Build, BuildError
from simkit.commands.options import MachineOptions
from simkit.commands.run import RunOptions, build_for
from simkit.commands.windowed import watch_for
from simkit.contract.errors import SimkitError

MACHINE = """\
name = "Built"
clock = "1 MHz"
[[card]]
slot = 1
kind = "sram"
select = "0xxx xxxx xxxx xxxx"
image = "prog.bin"
labels = "prog.map"
"""
BUILDER = """\
import pathlib, sys
text = pathlib.Path("prog.asm").read_text()
if "wrong" in text:
    print("prog.asm:1: error: wrong")
    sys.exit(3)
pathlib.Path("prog.bin").write_bytes(text.encode())
pathlib.Path("prog.map").write_text("main = $0000\\n")
pathlib.Path("prog.lst").write_text("$0000  EA    prog.asm:1    nop\\n")
"""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name, text in {"machine.toml": MACHINE, "make.py": BUILDER, "prog.asm": "one"}.items():
        (tmp_path / name).write_text(text)
    return tmp_path


def options(*sources, command=f'"{sys.executable}" make.py'):
    return RunOptions(options=MachineOptions(machine="."), watch=True, build=command, sources=sources)


def change(path, text):
    before = path.stat().st_mtime_ns
    path.write_text(text)
    os.utime(path, ns=(before + 10**9, before + 10**9))


def looks(look, until, most=400):
    """Look again and again until something comes of it."""
    for _ in range(most):
        found = look()
        if until(found):
            return found
        time.sleep(0.01)
    raise AssertionError("nothing came of it")


def test_a_change_of_a_source_builds_and_what_was_built_is_loaded(folder):
    build = build_for(options())
    build.run_now()
    watch = watch_for(options(), build)
    machine = watch._options.load()
    build.is_of(machine)
    assert machine.peek(0, 3) == b"one"
    change(folder / "prog.asm", "two")
    fresh = looks(watch.fresh, lambda fresh: fresh is not None)
    assert fresh.machine.peek(0, 3) == b"two"
    assert [watch.fresh() for _ in range(5)] == [None] * 5, "what a build writes builds nothing again"


def test_a_build_that_fails_is_told_with_its_output_and_all_goes_on(folder):
    build = build_for(options())
    build.run_now()
    watch = watch_for(options(), build)
    build.is_of(watch._options.load())
    change(folder / "prog.asm", "wrong")
    with pytest.raises(BuildError, match=r"The build failed \(exit code 3\)") as told:
        looks(watch.fresh, lambda fresh: fresh is not None)
    assert told.value.lines == ("prog.asm:1: error: wrong",) or list(told.value.lines) == ["prog.asm:1: error: wrong"]
    assert [watch.fresh() for _ in range(5)] == [None] * 5, "told once"
    change(folder / "prog.asm", "three")
    assert looks(watch.fresh, lambda fresh: fresh is not None).machine.peek(0, 5) == b"three"


def test_a_first_build_that_fails_ends_the_command(folder):
    (folder / "prog.asm").write_text("wrong")
    with pytest.raises(BuildError, match="exit code 3"):
        build_for(options()).run_now()


def test_sources_may_be_named_by_a_pattern_and_there_must_be_some(folder):
    build = build_for(options())
    build.run_now()
    machine = MachineOptions(machine=".").load()
    for name in ("prog.lst", "prog.asm"):
        (folder / name).unlink()
    machine = MachineOptions(machine=".").load()
    with pytest.raises(SimkitError, match="nor --sources names a source") as told:
        build_for(options()).is_of(machine)
    assert "--sources" in told.value.remedy
    (folder / "src").mkdir()
    (folder / "src" / "x.s").write_text("nop")
    build_for(options("src/*.s")).is_of(machine)
    with pytest.raises(SimkitError, match="nor --sources"):
        build_for(options("src/*.c")).is_of(machine)


@pytest.mark.needs("signals")
def test_a_build_under_way_is_ended_with_all_it_started(folder):
    begun = time.monotonic()
    with Build("sleep 60; true") as build:
        build._begin({})
        process = build._process
        assert build.look()
    assert process.poll() is not None
    assert time.monotonic() - begun < 30


def test_a_command_that_is_none_fails_as_a_build(folder):
    with pytest.raises(BuildError):
        Build("no-such-command-at-all").run_now()


@pytest.mark.parametrize(
    ("words", "message"), [({"build": "make"}, "--build is for --watch"), ({"sources": ("x",)}, "--sources is for")]
)
def test_build_needs_watch(words, message):
    with pytest.raises(SimkitError, match=message):
        RunOptions(options=MachineOptions(machine="."), **words).check()


def begun(*sources, command=f'"{sys.executable}" make.py'):
    """A build and the watch of what it built, as `run` begins them."""
    build = build_for(options(*sources, command=command))
    build.run_now()
    watch = watch_for(options(), build)
    build.is_of(watch._options.load())
    return build, watch


def test_no_command_is_refused():
    for command in ("", "  "):
        with pytest.raises(SimkitError, match="says no command"):
            Build(command)


def test_a_failed_first_build_says_another_remedy_than_a_later_one(folder):
    _, watch = begun()
    change(folder / "prog.asm", "wrong")
    with pytest.raises(BuildError) as later:
        looks(watch.fresh, lambda fresh: fresh is not None)
    with pytest.raises(BuildError) as first:
        build_for(options()).run_now()
    assert "run it again" in first.value.remedy
    assert "when they change" in later.value.remedy


@pytest.mark.needs("signals")
@pytest.mark.parametrize("command", ["trap '' TERM; {}", "(trap '' TERM; {}) & wait"])
def test_a_build_that_does_not_want_to_end_is_ended(command, folder, monkeypatch):
    monkeypatch.setattr("simkit.commands.building.SECONDS_TO_END", 0.2)
    with Build(command.format("while :; do echo >> beats; sleep 0.02; done")) as build:
        build._begin({})
        looks(lambda: (folder / "beats").is_file(), bool)
    beats = (folder / "beats").stat().st_size
    time.sleep(0.1)
    assert (folder / "beats").stat().st_size == beats


def test_ctrl_c_while_the_first_build_runs_ends_it(monkeypatch):
    build = Build("sleep 60")
    monkeypatch.setattr("subprocess.Popen.wait", interrupted(build))
    with pytest.raises(KeyboardInterrupt):
        build.run_now()
    assert not build.running


def interrupted(build):
    """Raise Ctrl-C where the command waits for the build, once."""
    import subprocess

    wait, pressed = subprocess.Popen.wait, []

    def waits(self, timeout=None):
        if not pressed:
            pressed.append(True)
            raise KeyboardInterrupt
        return wait(self, timeout)

    return waits


def test_a_build_that_takes_long_is_told_once_with_what_it_printed(folder, monkeypatch):
    build, watch = begun()
    build._command = "echo which board; sleep 60"
    change(folder / "prog.asm", "two")
    monkeypatch.setattr("simkit.commands.building.SECONDS_BEFORE_TOLD", 0.2)
    with build:
        with pytest.raises(BuildError, match="has been running for") as told:
            looks(watch.fresh, lambda fresh: fresh is not None)
        assert told.value.lines == ("which board",)
        assert [watch.fresh() for _ in range(5)] == [None] * 5


def test_of_a_build_that_prints_much_the_end_is_kept(folder):
    with pytest.raises(BuildError) as told:
        Build(
            f"{sys.executable} -c \"print('x' * 3000000); print('y\\n' * 9); [print(n) for n in range(40)]; 1 / 0\""
        ).run_now()
    assert told.value.lines[-1].startswith("ZeroDivisionError")
    assert "39" in told.value.lines
    assert len(told.value.lines) == 20


COUNTER = 'import pathlib; p = pathlib.Path("n.inc"); p.write_text(str(int(p.read_text()) + 1))\n'


@pytest.mark.parametrize("fails", [False, True])
def test_a_source_that_each_build_makes_another_is_left_out_with_a_word(fails, folder):
    (folder / "n.inc").write_text("0")
    build, watch = begun("*.inc", command=f'"{sys.executable}" make.py')
    (folder / "make.py").write_text(COUNTER + BUILDER + ("sys.exit(9)\n" if fails else ""))
    change(folder / "prog.asm", "two")
    told = []
    for _ in range(2000):
        try:
            watch.fresh()
        except BuildError as error:
            told.append(error.message)
            if "makes another" in error.message:
                break
        time.sleep(0.005)
    assert told[-1] == "Each build makes another n.inc."
    count = (folder / "n.inc").read_text()
    assert int(count) <= 4
    looks(lambda: (watch.fresh(), build.running)[1], lambda running: not running)
    assert [watch.fresh() for _ in range(5)][1:] == [None] * 4
    assert (folder / "n.inc").read_text() == count
    (folder / "make.py").write_text(BUILDER)
    change(folder / "prog.asm", "three")
    assert looks(watch.fresh, lambda fresh: fresh is not None).machine.peek(0, 5) == b"three"


def test_a_source_that_vanishes_is_built_without_and_again_when_it_is_back(folder):
    _, watch = begun()
    (folder / "prog.asm").unlink()
    with pytest.raises(BuildError, match="exit code 1"):
        looks(watch.fresh, lambda fresh: fresh is not None)
    assert [watch.fresh() for _ in range(5)] == [None] * 5
    (folder / "prog.asm").write_text("back")
    assert looks(watch.fresh, lambda fresh: fresh is not None).machine.peek(0, 4) == b"back"


def test_what_a_build_writes_in_two_steps_is_loaded_when_it_has_ended(folder):
    slow = BUILDER.replace(
        'pathlib.Path("prog.map")',
        'import time; pathlib.Path("prog.bin").write_bytes(b"half"); time.sleep(0.3)\n'
        'pathlib.Path("prog.bin").write_bytes(text.encode())\npathlib.Path("prog.map")',
    )
    (folder / "make.py").write_text(slow)
    _, watch = begun()
    change(folder / "prog.asm", "whole")
    assert looks(watch.fresh, lambda fresh: fresh is not None).machine.peek(0, 5) == b"whole"


def test_what_a_failed_build_wrote_is_not_loaded(folder):
    _, watch = begun()
    (folder / "make.py").write_text(BUILDER + "sys.exit(text == 'half')\n")
    change(folder / "prog.asm", "half")
    with pytest.raises(BuildError) as told:
        looks(watch.fresh, lambda fresh: fresh is not None)
    assert "Nothing of it is loaded" in told.value.remedy
    assert (folder / "prog.bin").read_bytes() == b"half"
    assert [watch.fresh() for _ in range(5)] == [None] * 5
    change(folder / "prog.asm", "one")
    assert looks(watch.fresh, lambda fresh: fresh is not None).machine.peek(0, 3) == b"one"


def test_a_build_whose_image_cannot_be_loaded_is_told_and_all_goes_on(folder):
    _, watch = begun()
    (folder / "make.py").write_text(BUILDER + 'pathlib.Path("prog.bin").unlink()\n')
    change(folder / "prog.asm", "two")
    with pytest.raises(SimkitError, match=r"There is no program .*prog\.bin"):
        looks(watch.fresh, lambda fresh: fresh is not None)
    (folder / "make.py").write_text(BUILDER)
    change(folder / "prog.asm", "three")
    assert looks(watch.fresh, lambda fresh: fresh is not None).machine.peek(0, 5) == b"three"


def test_a_source_saved_while_the_first_build_runs_is_built_again(folder):
    build = build_for(options())
    (folder / "make.py").write_text(BUILDER + 'pathlib.Path("prog.asm").write_text("saved")\n')
    build.run_now()
    (folder / "make.py").write_text(BUILDER)
    watch = watch_for(options(), build)
    build.is_of(watch._options.load())
    assert looks(watch.fresh, lambda fresh: fresh is not None).machine.peek(0, 5) == b"saved"


def test_more_sources_than_can_be_looked_at_twice_a_second_are_refused(folder, monkeypatch):
    monkeypatch.setattr("simkit.commands.building.MAX_SOURCES", 2)
    with pytest.raises(SimkitError, match=r"there are \d sources; 2 are the most") as told:
        begun("*")
    assert "Name fewer" in told.value.remedy
    monkeypatch.setattr("simkit.commands.building.SECONDS_TO_LOOK", -1)
    with pytest.raises(SimkitError, match="looking through the folders takes"):
        begun()


@pytest.mark.parametrize("pattern", ["", "/"])
def test_a_pattern_that_is_none_is_told(pattern, folder):
    with pytest.raises(SimkitError) as told:
        build_for(options(pattern)).is_of(MachineOptions(machine="demo:marlpit").load())
    assert told.value.remedy


@pytest.mark.parametrize("line", ['build = "make"', '[run]\nbuild = "make"', 'watch = "make"'])
def test_a_machine_file_names_no_build(line, folder):
    (folder / "machine.toml").write_text(f"{line}\n{MACHINE}" if "[" not in line else f"{MACHINE}\n{line}\n")
    with pytest.raises(SimkitError, match=r"machine\.toml:") as told:
        MachineOptions(machine=".").load()
    assert "build" in str(told.value) or "watch" in str(told.value) or "run" in str(told.value)


def test_the_command_goes_to_the_shell_as_it_is_in_the_folder_of_the_call(folder):
    begun(command=f'"{sys.executable}" make.py && printf "%s" "a  b|c" > "with blank.txt"')
    assert (folder / "with blank.txt").read_text() == "a  b|c"
