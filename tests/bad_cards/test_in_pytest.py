"""Bad cards in tests of ROMs: a card that ends the program, or the test, fails the test; red stays red."""

import pytest

from tests.bad_cards.table import TABLE

pytest_plugins = "pytester"

TESTS = """
import pytest
from tests.bad_cards.machine import exercise, folder_with

@pytest.mark.parametrize("name", {names!r})
def test_card(load_machine, tmp_path, name):
    exercise(load_machine(folder_with(tmp_path, name, cards={cards!r})))
"""

ENDS_TESTS = """
import pytest
from tests.bad_cards.kinds.sound import Sound

class Skips(Sound):
    def read(self, offset, cycle):
        pytest.skip("nothing to see here")

class Leaves(Sound):
    def read(self, offset, cycle):
        pytest.exit("all is well", returncode=0)

class ExpectsToFail(Sound):
    def read(self, offset, cycle):
        pytest.xfail("as expected")

class SkipsInWords(Sound):
    def words(self, cycle):
        pytest.skip("nothing to see here")

class LeavesInInit(Sound):
    def __init__(self, settings, slot):
        raise SystemExit(0)
"""


@pytest.fixture
def session(pytester, request):
    """A folder for a session of pytest, with this project in reach."""
    pytester.makeini(f"[pytest]\npythonpath = {request.config.rootpath}\nfilterwarnings = error\n")
    return pytester


@pytest.mark.parametrize(
    ("engine", "every"),
    [("auto", 6), pytest.param("auto", 1, marks=pytest.mark.slow), pytest.param("exact", 1, marks=pytest.mark.slow)],
)
def test_no_bad_card_lets_its_test_pass(session, engine, every):
    names = [cls.__name__ for cls, _, known in TABLE if known.get("only") in (None, engine)][::every]
    text = TESTS.format(names=names, cards=None)
    session.makepyfile(text.replace("load_machine(folder", f"load_machine(engine={engine!r}, path=folder"))
    result = session.runpytest_subprocess("-p", "no:cacheprovider", "-q", "--tb=no")
    result.assert_outcomes(failed=len(names))
    assert result.ret == 1


def test_a_value_that_cannot_be_shown_leaves_the_session_whole(session):
    """pytest lets SystemExit out of a `__repr__` end it."""
    names = ["ReadGivesWhatHasNoRepr", "SaveGivesAnObject", "ReadRaisesTextRaisesError", "ReadGivesNone"]
    session.makepyfile(TESTS.format(names=names, cards=None))
    session.runpytest_subprocess("-p", "no:cacheprovider", "-q").assert_outcomes(failed=len(names))


def test_what_a_card_does_with_pytest_itself_fails_the_test(session):
    (session.path / "ends.py").write_text(ENDS_TESTS)
    names = ["Skips", "Leaves", "ExpectsToFail", "SkipsInWords", "LeavesInInit"]
    session.makepyfile(TESTS.format(names=names, cards=str(session.path / "ends.py")))
    result = session.runpytest_subprocess("-p", "no:cacheprovider", "-q")
    result.assert_outcomes(failed=len(names))
    assert result.ret == 1


def test_a_file_that_skips_while_it_is_loaded_fails_the_test(session):
    (session.path / "skips.py").write_text("import pytest\npytest.skip('no', allow_module_level=True)\n")
    session.makepyfile(TESTS.format(names=["Skips"], cards=str(session.path / "skips.py")))
    session.runpytest_subprocess("-p", "no:cacheprovider", "-q").assert_outcomes(failed=1)


def test_what_a_test_raises_through_a_card_stays_what_it_was(session):
    """A watcher of memory, called while a card announces a change, is the test's own."""
    session.makepyfile(
        """
        import pytest
        from tests.bad_cards.machine import folder_with
        from tests.bad_cards.kinds.sound import Sound

        def test_skipped(load_machine, tmp_path):
            machine = load_machine(folder_with(tmp_path, "Sound"))
            machine.bus.watchers.add(memory=lambda *where: pytest.skip("the test says so"))
            seat = machine.bus.seats[2]
            machine.bus.call_card(seat, machine.cycle, seat.card.slot.changed, 0, 1)
        """
    )
    session.runpytest_subprocess("-p", "no:cacheprovider", "-q").assert_outcomes(skipped=1)


def test_the_report_of_a_failed_test_shows_the_card_and_what_the_machine_did(session):
    session.makepyfile(TESTS.format(names=["ScreenExits"], cards=None))
    result = session.runpytest_subprocess("-p", "no:cacheprovider")
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(["*last instructions:*", "*The rest cannot be shown: CardError*pixels of port*"])
