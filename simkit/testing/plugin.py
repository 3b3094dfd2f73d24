"""pytest plug-in: ROM tests with a running machine.

    # pyproject.toml or pytest.ini
    [tool.pytest.ini_options]
    simkit_machine = "machine.toml"
    simkit_boot = "label:main_loop"       # optional: tests begin there, from a snapshot taken once
    simkit_recordings = "tapes/*.rec"     # optional: each of these is a test, and must play as it was recorded

    def test_the_title_shows_the_name(machine, golden):
        machine.run(screen_text="SLUG WATCH", timeout=3)
        golden(machine.screen, "title")

    @pytest.mark.machine(boot=False, clock="4 MHz")
    def test_digits_are_split(machine):
        assert machine.call("split_digits", a=42).a == 2

`boot` is a moment, as on the command line, or a function that plays the machine to where tests begin; `load_machine`
gives several machines to one test. With --simkit-coverage=FILE the summary tells which part of each ROM the tests ran;
with --simkit-power-ups=8 each test is run over eight power-ups, with other contents of memories, registers and phases.

Nothing of the kit is imported before a test asks for a machine.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Generator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from simkit.machine.again import Again
    from simkit.machine.machine import Machine
    from simkit.machine.moments import Moment
    from simkit.machine.views import Screen
    from simkit.testing.coverage import Counts

_MACHINES = pytest.StashKey[list[Any]]()
_WATCHES = pytest.StashKey[list[Any]]()
_BOOTED = pytest.StashKey[dict[tuple[str, Any], tuple[bytes, Any]]]()
_COMPARED = pytest.StashKey[dict[str, list[str]]]()
_COUNTS = pytest.StashKey[dict[str, Any]]()
_OUTLINES = pytest.StashKey[dict[str, Any]]()
_LAST_WORDS = pytest.StashKey[int]()
_UNWRITTEN = pytest.StashKey[dict[Path, str]]()
_GOLDEN_FOLDER = "golden"
_OUTPUT_KEY = "simkit_coverage"
_OVERDUE = "simkit.backplane.overdue"
_POWER_UP = "simkit_power_up"
_OTHERWISE = (
    "The machine came up otherwise than its file says. If the test passes as power-up-0, it works by luck there: "
    "`simkit check MACHINE --power-ups 32` finds the byte, flag or phase on which it hangs."
)


def pytest_addoption(parser: pytest.Parser) -> None:
    """Options and ini values."""
    group = parser.getgroup("simkit", "machines built with simkit")
    group.addoption("--simkit-accept", action="store_true", help="write golden pictures instead of comparing them")
    group.addoption("--simkit-coverage", metavar="FILE", help="write which ROM instructions the tests ran")
    group.addoption(
        "--simkit-power-ups",
        metavar="N",
        type=int,
        default=1,
        help="run each test of a machine over N power-ups: other contents of memories, registers, phases",
    )
    parser.addini("simkit_machine", "machine for the fixture `machine`, from the root folder, or demo:NAME")
    parser.addini(
        "simkit_recordings", "recordings that are tests, from the root folder: tapes/*.rec", type="args", default=[]
    )
    parser.addini("simkit_boot", "moment at which tests begin: 2s, 120f, 5000c, label:NAME, text:WORDS and so on")


def pytest_configure(config: pytest.Config) -> None:
    """Marker, and room for what a session keeps."""
    config.addinivalue_line(
        "markers",
        "machine(path=None, *, images=None, clock=None, seed=None, settings=None, engine=None, boot=None, "
        "compare=True): the machine of this test; boot=False begins at power-on, a function plays the machine to where "
        "tests begin; compare=False lets it differ from the constants, schematics and the like that its file names",
    )
    _check_counts_file(config.getoption("--simkit-coverage"))
    number = config.getoption("--simkit-power-ups")
    if number < 1:
        raise pytest.UsageError(f"--simkit-power-ups={number}: a machine comes up once at least; write 8, say")
    config.stash[_BOOTED] = {}
    config.stash[_COMPARED] = {}
    config.stash[_COUNTS] = {}
    config.stash[_OUTLINES] = {}
    config.stash[_UNWRITTEN] = {}
    try:
        config.stash[_LAST_WORDS] = os.dup(2)  # while it is not captured
    except OSError:
        return  # there is no standard error


def pytest_unconfigure(config: pytest.Config) -> None:
    """Give back what a session kept."""
    words = config.stash.get(_LAST_WORDS, None)
    if words is None:
        return
    overdue = sys.modules.get(_OVERDUE)
    if overdue is not None and overdue.overdue_watch().ends == words:
        overdue.overdue_watch().ends = None
    os.close(words)


def pytest_runtest_setup(item: pytest.Item) -> None:
    """A call of a card that does not come back fails its test; where it cannot be interrupted, the session ends."""
    if _OVERDUE in sys.modules:  # else no card has been called yet
        _end_with_overdue_calls(item.config)


def _end_with_overdue_calls(config: pytest.Config) -> None:
    from simkit.backplane.overdue import overdue_watch

    overdue_watch().ends = config.stash.get(_LAST_WORDS, None)


def _check_counts_file(named: str | None) -> None:
    """Nothing but earlier counts is written over: without its `=` the option takes the name of a test file as its own.

    Raises:
        pytest.UsageError: the file is something else, or cannot be written when the tests are done.
    """
    if named is None:
        return
    from simkit.contract.errors import SimkitError
    from simkit.files.outputs import TakenError
    from simkit.files.whole import check_output
    from simkit.testing.coverage import COUNTS

    try:
        check_output(Path(named), what="coverage counts", known=COUNTS)
    except TakenError:
        raise pytest.UsageError(
            f"--simkit-coverage={named}: the file holds something else than counts and is left alone; write "
            "--simkit-coverage=FILE with a file of its own"
        ) from None
    except SimkitError as error:
        raise pytest.UsageError(f"--simkit-coverage={named}: {error.message} {error.remedy}") from None


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    """A recording that simkit_recordings names is a test: it is played, and must be what was recorded."""
    wanted = parent.config.getini("simkit_recordings")
    if not wanted or not file_path.is_relative_to(parent.config.rootpath):
        return None
    inside = file_path.relative_to(parent.config.rootpath)
    if not any(inside.match(pattern) for pattern in wanted):
        return None
    from simkit.testing.recordings import RecordingFile

    return RecordingFile.from_parent(parent, path=file_path)


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Each test of a machine is as many as there are power-ups; the first is the machine as its file has it."""
    number = metafunc.config.getoption("--simkit-power-ups")
    if number > 1 and _POWER_UP in metafunc.fixturenames:
        metafunc.parametrize(_POWER_UP, range(number), indirect=True, ids=lambda one: f"power-up-{one}")


@pytest.fixture
def simkit_power_up(request: pytest.FixtureRequest) -> int:
    """Number of the power-up, from 0."""
    return getattr(request, "param", 0)


@pytest.fixture
def machine(request: pytest.FixtureRequest, load_machine: Callable[..., Machine]) -> Machine:
    """A machine just switched on, or at the place where `boot` leaves it."""
    return load_machine(**_marked(request))


@pytest.fixture
def load_machine(request: pytest.FixtureRequest, simkit_power_up: int) -> Generator[Callable[..., Machine], None, None]:
    """Function that gives machines, for a test that needs several: the arguments are those of the marker."""
    node, config = request.node, request.config
    loaded: list[tuple[Machine, Again]] = node.stash.setdefault(_MACHINES, [])
    watches: list[Any] = node.stash.setdefault(_WATCHES, [])

    def load(
        path: str | Path | None = None,
        *,
        boot: str | Callable[[Machine], Any] | bool | None = None,
        compare: bool = True,
        **asked: Any,
    ) -> Machine:
        from simkit.machine.again import Again
        from simkit.machine.machine import Machine

        _end_with_overdue_calls(config)
        given = {name: value for name, value in asked.items() if value is not None}
        found = Machine.load(machine_path(path, config), **given)
        again = Again(found)
        if simkit_power_up:
            found, again = _come_up_otherwise(again, simkit_power_up)
        loaded.append((found, again))
        if compare and not given.keys() & {"settings", "clock", "images"}:  # else it is not the file's machine
            _compare(found, config)
        if config.getoption("--simkit-coverage"):
            from simkit.testing.coverage import CoverageWatch

            watches.append((found, CoverageWatch(found)))
        if boot is None:
            boot = config.getini("simkit_boot")
        if boot:
            _boot(found, again, boot, config)
        return found

    yield load
    for found, watch in watches:
        _keep(config, watch.stop(), found)


def _come_up_otherwise(again: Again, number: int) -> tuple[Machine, Again]:
    """The same machine as it comes up another time; it cannot be run again from its file alone."""
    from simkit.luck.unknown import Maker
    from simkit.machine.again import Again

    maker = Maker(again)
    found = maker.machine(maker.power_ups(number + 1)[number].values)
    other = Again(found)
    other.whole = False
    return found, other


def _compare(found: Machine, config: pytest.Config) -> None:
    """A machine whose file names constants, a schematic and the like must agree with them; looked at once a session."""
    __tracebackhide__ = True
    from simkit.address_map.standing import standing

    key = str(found.description.path)
    told = config.stash[_COMPARED]
    if key not in told:
        told[key] = [file.told() for file in standing(found).files if file.differences]
    if told[key]:
        pytest.fail(
            f"{found.description.name} is no longer what its files say. {' '.join(told[key])} Mend one of the two, or "
            "say @pytest.mark.machine(compare=False) where it is meant.",
            pytrace=False,
        )


def _marked(request: pytest.FixtureRequest) -> dict[str, Any]:
    """What the markers of a test say, as arguments of `load_machine`; the nearest marker wins."""
    known = ("path", "images", "clock", "seed", "settings", "engine", "programs", "labels", "start", "boot", "compare")
    asked: dict[str, Any] = {}
    for marker in reversed(list(request.node.iter_markers("machine"))):
        unknown = set(marker.kwargs) - set(known)
        if unknown or len(marker.args) > 1:
            raise pytest.UsageError(
                f"marker machine: unknown {', '.join(sorted(unknown)) or 'second argument'}; known are a path and "
                f"{', '.join(sorted(known))}"
            )
        asked.update(marker.kwargs)
        if marker.args:
            asked["path"] = marker.args[0]
    return asked


def machine_path(path: str | Path | None, config: pytest.Config) -> str | Path:
    """Where the machine of tests is: as a test says, else as the ini file does."""
    if path is None:
        path = config.getini("simkit_machine")
        if not path:
            raise pytest.UsageError(
                "the fixture `machine` does not know which machine: set simkit_machine in the ini file, or mark the "
                'test with @pytest.mark.machine("path")'
            )
    return path if str(path).startswith("demo:") else config.rootpath / path


def _boot(found: Machine, again: Again, boot: str | Callable[[Machine], Any] | bool, config: pytest.Config) -> None:
    """Bring the machine to where tests begin; the first of each kind runs there, the others load its snapshot."""
    cache = config.stash[_BOOTED]
    key = (found.identity, boot)
    if key in cache:
        state, so_far = cache[key]
        found.load_state(state)
        again.go_on_behind(so_far)
        return
    if callable(boot):
        boot(found)
    else:
        found.run(_moment(str(boot)))
    cache[key] = found.save_state(), again.so_far()


def _moment(boot: str) -> Moment:
    """Where tests begin, in words of the one grammar of moments."""
    from simkit.contract.errors import SimkitError
    from simkit.machine.moments import parse_moment

    try:
        return parse_moment(boot)
    except SimkitError as error:
        raise pytest.UsageError(f"boot: {error}") from None


# failures -------------------------------------------------------------------------------------------------------------


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Add to a failure what the machine last did; of a mistake in the test show the test, not the kit's insides."""
    hidden: list[dict[str, Any]] = []
    if call.excinfo is not None:
        from simkit.contract.errors import SimkitError

        if isinstance(call.excinfo.value, SimkitError):
            from simkit.testing.failure import modules_of_the_kit, shown_by_pytest

            hidden = modules_of_the_kit(call.excinfo.value)
            usual = item._repr_failure_py
            item._repr_failure_py = partial(shown_by_pytest, usual)  # type: ignore[method-assign]
    for names in hidden:  # pytest's own way: a name that it looks for in the module
        names["__tracebackhide__"] = True
    try:
        report = yield
    finally:
        for names in hidden:
            names.pop("__tracebackhide__", None)
    if report.when == "call" and report.failed:
        for found, again in item.stash.get(_MACHINES, []):
            from simkit.testing.failure import state_text

            report.sections.append((f"machine {_plain(found.description.name)}", state_text(found, again, item)))
        if getattr(item, "funcargs", {}).get(_POWER_UP):
            report.sections.append(("power-up", _OTHERWISE))
    return report


def _plain(name: object) -> str:
    from simkit.contract.plain import plain

    return plain(name)


# golden pictures ------------------------------------------------------------------------------------------------------


@pytest.fixture
def golden(request: pytest.FixtureRequest) -> Callable[..., None]:
    """Function that compares a screen with a picture kept beside the test, e.g. `golden(machine.screen, "title")`.

    Colour numbers are compared, not the colours that a palette gives them. The picture lies in the folder `golden`
    beside the test file; `pytest --simkit-accept` writes it.
    """
    folder = request.path.parent / _GOLDEN_FOLDER
    accept = bool(request.config.getoption("--simkit-accept"))

    def compare(screen: Screen, name: str, *, border: bool = False) -> None:
        from simkit.files.bounded import is_file
        from simkit.files.whole import write_together
        from simkit.inspect.pictures import palette_array, png
        from simkit.testing.failure import failure_folder
        from simkit.testing.golden import NAME, difference, read_numbers, unequal_pixels

        __tracebackhide__ = True
        if not NAME.fullmatch(name):
            raise pytest.UsageError(f"golden picture {name!r}: letters, digits, dot, dash and underscore only")
        path = folder / f"{name}.png"
        failures = failure_folder(request.config)
        if accept:
            picture = screen.png(border=border)
            write_together({path: picture}, what="golden picture", force=True, make_folders=True)
            return
        shown_path = screen.save_png(failures / f"{name}-shown.png", border=border, force=True)
        if not is_file(path):
            pytest.fail(
                f"there is no golden picture {path}; the screen is in {shown_path}. Look at it, then run pytest with "
                "--simkit-accept.",
                pytrace=False,
            )
        kept, shown = read_numbers(path), read_numbers(shown_path)
        apart = difference(kept, shown, palette_array(screen.port))
        if apart is None:
            return
        difference_path = failures / f"{name}-difference.png"
        write_together({difference_path: png(apart)}, what="picture", force=True)
        count = unequal_pixels(kept, shown)
        what = f"{count} pixels differ" if count is not None else f"sizes differ: {kept.shape}, {shown.shape}"
        pytest.fail(
            f"{what} from {path}; side by side in {difference_path} (golden, shown, difference). If the new picture "
            "is right, run pytest with --simkit-accept.",
            pytrace=False,
        )

    return compare


# coverage -------------------------------------------------------------------------------------------------------------


def _keep(config: pytest.Config, counts: Counts, found: Machine | None = None) -> None:
    kept = config.stash[_COUNTS]
    if counts.program in kept:
        kept[counts.program].add(counts)
    else:
        kept[counts.program] = counts
    outlines = config.stash[_OUTLINES]
    if found is not None and counts.program not in outlines:
        from simkit.testing.coverage import program_of

        outlines[counts.program] = program_of(found, found.source_lines.listing).outline(found.description.name)


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Hand the counts to the controller (pytest-xdist), or write them."""
    config = session.config
    named = config.getoption("--simkit-coverage")
    if not named:
        return
    kept = config.stash[_COUNTS]
    output = getattr(config, "workeroutput", None)
    if output is not None:
        output[_OUTPUT_KEY] = {
            "counts": [counts.to_json() for counts in kept.values()],
            "outlines": config.stash[_OUTLINES],
        }
        return
    from simkit.contract.errors import SimkitError
    from simkit.files.whole import write_whole
    from simkit.testing.coverage import COUNTS

    for path, counts in _files(Path(named), kept):
        try:
            write_whole(path, counts.to_json(), what="coverage counts", known=COUNTS)
        except SimkitError as error:
            config.stash[_UNWRITTEN][path] = str(error)
            session.exitstatus = pytest.ExitCode.TESTS_FAILED


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any, error: object) -> None:
    """Take the counts of a worker (pytest-xdist)."""
    from simkit.testing.coverage import Counts

    sent = getattr(node, "workeroutput", {}).get(_OUTPUT_KEY)
    if sent is None:
        return
    for text in sent["counts"]:
        _keep(node.config, Counts.parse(text))
    node.config.stash[_OUTLINES].update(sent["outlines"])


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    """Table of the coverage of each ROM, and where the counts are."""
    named = config.getoption("--simkit-coverage")
    if not named or hasattr(config, "workerinput") or not config.stash[_COUNTS]:
        return
    from simkit.testing.coverage import summary

    terminalreporter.section("ROM coverage")
    kept: dict[str, Counts] = config.stash[_COUNTS]
    outlines = config.stash[_OUTLINES]
    for line in summary(kept, outlines):
        terminalreporter.write_line(_plain(line))
    for path, counts in _files(Path(named), kept):
        unwritten = config.stash[_UNWRITTEN].get(path)
        place = f": {_plain(path)}" if unwritten is None else f" are lost: {unwritten}"
        terminalreporter.write_line(f"counts of {_plain(outlines[counts.program]['name'])}{place}")


def _files(path: Path, kept: dict[str, Any]) -> list[tuple[Path, Counts]]:
    """One file a program; the programs' hashes tell several apart."""
    if len(kept) <= 1:
        return [(path, counts) for counts in kept.values()]
    return [(path.with_name(f"{path.stem}-{key[:8]}{path.suffix}"), counts) for key, counts in sorted(kept.items())]
