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
