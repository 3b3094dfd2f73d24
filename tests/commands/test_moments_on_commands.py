"""Every command that runs a machine says with the same options until when, and what is done to it, at which moments."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
import typer

from simkit import Machine, SimkitError
from simkit.commands.app import COMMANDS, build_app
from simkit.commands.running import _RUNNING, Running

RUNS_NOTHING = {"budget", "burn", "controls", "map"}
"""Commands with a MACHINE that only look at its file and images."""
RUNS_ITS_OWN = {"bench", "pack", "page", "replay"}
"""Run machines for lengths of their own: to measure the host, to take a picture of what is packed, as recorded."""
RUNS_FOR_A_TIME = {"suspect"}
"""Runs machines in which an event need not come: their faults are what it is about."""
EVENT = "label:main_loop#3"
QUICK = "demo:pad-test"
"""It comes there after a tenth of the cycles that the game takes."""


def options_of(name):
    command = typer.main.get_command(build_app([name]))
    (command,) = getattr(command, "commands", {name: command}).values()
    arguments = [one for one in command.params if one.param_type_name == "argument"]
    options = [one for one in command.params if one.param_type_name == "option"]
    takes_machine = any("MACHINE" in one.metavar for one in arguments)
    return takes_machine, {one.name: (one.opts, one.metavar, one.help, one.multiple) for one in options}


RUNNING = [name for name in COMMANDS if options_of(name)[0] and name not in RUNS_NOTHING | RUNS_ITS_OWN]


TO_A_MOMENT = [name for name in RUNNING if name not in RUNS_FOR_A_TIME]


def test_all_commands_that_run_a_machine_take_the_same_options():
    tables = {}
    for name in RUNNING:
        tables[name] = {option: options_of(name)[1].get(option) for option in _RUNNING}
        assert None not in tables[name].values(), name
    spoken = {option for told in tables["run"].values() for option in told[0]}
    assert {"--for", "--until", "--at", "--type", "--send", "--pad"} <= spoken
    assert {"run", "check", "show", "video", "coverage"} <= set(tables)
    assert all(table == tables["run"] for table in tables.values())


def test_the_others_run_none(simkit, monkeypatch):
    def moved(*_, **__):
        pytest.fail("the machine runs")

    for call in ("run", "run_to", "step", "step_cycle"):
        monkeypatch.setattr(Machine, call, moved)
    assert simkit("burn", "demo:marlpit", "--part", "28C256", "--out", "rom.bin")[0] == 0
    assert Path("rom.bin").stat().st_size == 32768
    assert simkit("controls", "demo:marlpit")[0] == 0
    assert simkit("map", "demo:marlpit")[0] == 0
    assert simkit("budget", "demo:marlpit")[0] == 0


def headless(name):
    more = {"run": ["--headless"], "compare": ["--plan"], "film": ["--out", "a.webp", "--force"]}
    return [name, QUICK, *more.get(name, [])]


@pytest.fixture(scope="module")
def wanted():
    """The cycle that the event leads to."""
    return Machine.load(QUICK).run(EVENT + "+100c")


@pytest.mark.parametrize("name", TO_A_MOMENT)
def test_each_ends_at_an_event_and_tells_of_input_that_never_came(simkit, name, wanted):
    late = "1=start@label:main_loop#99999"
    command = [*headless(name), "--for", EVENT + "+100c", "--pad", late]
    code, out, err = simkit(*command, "--json")
    found = json.loads(out)
    assert found["until"] == {"moment": EVENT + "+100c", "come": True}
    (missed,) = found["not_given"]
    assert (missed["option"], missed["text"], missed["moment"]) == ("--pad", late, "label:main_loop#99999")
    assert "for the 99999th time did not come" in missed["message"]
    if name != "coverage":
        assert found["cycles" if name == "check" else "cycle"] == wanted
    assert code == (1 if name == "check" and found["findings"] else 0)
    if name == "run":
        code, out, err = simkit(*command)
    assert missed["message"] in out + err


@pytest.mark.parametrize("name", TO_A_MOMENT)
def test_an_event_that_never_comes_gives_exit_code_1_and_the_report_all_the_same(simkit, name):
    command = [*headless(name), "--until", 'text:"NOTHING LIKE THIS"', "--timeout", "3f"]
    code, out, err = simkit(*command, "--json")
    assert code == 1
    until = json.loads(out)["until"]
    assert (until["moment"][:24], until["come"]) == ('text:"NOTHING LIKE THIS"', False)
    if name == "run":
        code, out, err = simkit(*command)
        assert "Next instruction" in out
    assert "The text 'NOTHING LIKE THIS' did not come up to cycle" in out + err


def test_a_search_refuses_an_event_as_its_end_with_what_to_write_instead(simkit):
    code, _out, err = simkit("suspect", "demo:marlpit", "--hangs-at", "main_loop", "--for", EVENT)
    assert code == 2
    assert "--for takes a time here" in err
    assert "--for 2s" in err


WRONG = {
    "": "'' is not a moment: it ends too early",
    "label:": "there is no value",
    "label:x#0": "this is no number of times",
    "label:main_loop#999999999999": "this is no number of times",
    'text:"unclosed': "the quotation has no end",
    "5f/99": "No card in slot 99 has a screen",
    "5f/": "no screen is named",
    "-5s": "there is no time",
    "nan": "there is no time",
    "inf": "there is no time",
    "1e5c": "there is no time",
    "99999999999999999999s": "the number is too long",
    "2.5": "there is no time",
    "\u0663s": "there is no time",
    "2s\x00": "this does not belong to it",
    "label:nowhere": "no label 'nowhere'",
    "read:$12345": "is not an address",
    "lable:main_loop": "there is no kind 'lable'",
    "x" * 2000: "at most 1000 characters",
}


@pytest.mark.parametrize("text", WRONG, ids=lambda text: ascii(text)[:30])
def test_a_wrong_moment_gets_one_message_on_every_option(text):
    m = Machine.load("demo:marlpit")
    for given in ({"length": text}, {"pads": [f"1=start@{text}"]}, {"pads": [f"1=start@1s..{text}"]}):
        if not text and given == {"pads": ["1=start@"]}:
            continue  # says no PAD=BUTTONS@FROM
        wanted = "quotation has no end" if "unclosed" in text else WRONG[text]
        with pytest.raises(SimkitError, match=wanted.replace("$", r"\$")) as told:
            Running(**given).begin(m, "1s")
        option = "--for" if "length" in given else "--pad"
        assert str(told.value).startswith(option)
        assert len(str(told.value).splitlines()) <= 4


@pytest.mark.parametrize(
    ("text", "sent", "moment"),
    [
        ("hello", b"hello", "0c"),
        ("a@b@1s", b"a@b", "1s"),
        ("a@b@label:receive#2", b"a@b", "label:receive#2"),
        ('x@text:"a@b"', b"x", 'text:"a@b"'),
        ('5" pipe@1s', b'5" pipe', "1s"),
        ("mail\\@home", b"mail@home", "0c"),
        ('say "a@b"', b'say "a@b"', "0c"),
        ("\\x1A\\r\\xFF\\\\n\\@@5c", b"\x1a\r\xff\\n@", "5c"),
    ],
)
def test_the_moment_stands_behind_the_last_at_that_is_not_quoted(text, sent, moment):
    m = Machine.load("demo:monitor")
    script = Running(sent=[text]).script(m, None)
    (entry,) = script.as_dicts()
    assert entry["moment"] == moment
    given = []
    m.serial.send = given.append
    assert script._inputs[0].size == len(sent)
    if moment in ("0c", "1s", "5c"):
        assert bytes(event[5][0] for event in sorted(m.bus.agenda.pending_outside(), key=lambda one: one[1])) == sent


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('hi@text:"unclosed', "A quotation has no end"),
        ("hi@soon", "'soon' is not a moment"),
        ("hi@", "'' is not a moment"),
        ("\\x1", "is no byte"),
        ("\\xg1@1s", "is no byte"),
        ("\u0416", "the serial line carries bytes"),
        ("hi@2f", "No card of this machine has a screen"),
    ],
)
def test_wrong_texts_to_send_get_one_message(text, message):
    with pytest.raises(SimkitError, match=message) as told:
        Running(sent=[text]).begin(Machine.load("demo:monitor"), "1s")
    assert str(told.value).startswith("--send")


def test_what_is_sent_takes_its_time_and_what_did_not_arrive_is_told(simkit):
    text = "x" * 300 + "@0.1s"
    code, out, _ = simkit("run", "demo:monitor", "--headless", "--for", "0.11s", "--send", text, "--json")
    (missed,) = json.loads(out)["not_given"]
    assert "of 300 bytes have arrived" in missed["message"]
    m = Machine.load("demo:monitor")
    _, script = Running(sent=[text]).begin(m, "0.11s")
    m.run("0.1s")
    byte_cycles = m.serial.port.byte_cycles(m.cycle)
    m.run(cycles=302 * byte_cycles)
    assert script.not_given() == []
    assert code == 0


def test_which_serial_card_is_said_where_there_are_several(tmp_path):
    text = 'name = "Two lines"\nclock = "1 MHz"\n'
    select = ("0111 1111 0000 00xx", "0111 1111 0001 00xx")
    for slot, one in enumerate(select, 3):
        text += f'[[card]]\nslot = {slot}\nkind = "serial-6551"\nselect = "{one}"\n'
    (tmp_path / "machine.toml").write_text(text)
    with pytest.raises(SimkitError, match=r"2 cards have a serial line: slots 3, 4\.\nSay which: --terminal-slot 3"):
        Running(sent=["x"]).begin(Machine.load(tmp_path), "1s")
    m = Machine.load(tmp_path)
    Running(sent=["x"], terminal_slot=4).begin(m, "1s")
    assert [event[2] for event in m.bus.agenda.pending_outside()] == [4]
    with pytest.raises(SimkitError, match="--terminal-slot says where --send and --type go"):
        Running(terminal_slot=4).begin(m, "1s")


EVENTS = ["--pad", "1=start@label:main_loop#2..+0.05s", "--pad", "1=right@write:DRAWING_READY#9..label:main_loop#14"]


@pytest.mark.parametrize("engine", ["exact", "auto"])
def test_input_at_events_is_recorded_alike_by_both_engines_and_plays_on_the_other(simkit, tmp_path, engine):
    other = "auto" if engine == "exact" else "exact"
    run = ["run", "demo:marlpit", "--headless", "--for", "label:main_loop#16", *EVENTS]
    for one in (engine, other):
        assert simkit(*run, "--engine", one, "--record", f"{one}.rec")[0] == 0
    assert (tmp_path / f"{engine}.rec").read_bytes() == (tmp_path / f"{other}.rec").read_bytes()
    lines = (tmp_path / f"{engine}.rec").read_text().splitlines()
    assert sum('"press"' in line or " press" in line for line in lines) == 2
    replay = ["run", "demo:marlpit", "--headless", "--replay", f"{engine}.rec", "--engine", other, "--json"]
    code, out, _ = simkit(*replay)
    assert code == 0
    assert json.loads(out)["replayed"]["compared"] > 0


def test_input_at_an_event_besides_a_recording_is_no_difference(simkit):
    simkit("run", "demo:marlpit", "--headless", "--for", "0.3s", "--record", "a.rec")
    run = ["run", "demo:marlpit", "--headless", "--replay", "a.rec", "--json"]
    code, out, _ = simkit(*run, "--pad", "1=start@label:main_loop#2")
    played = json.loads(out)["replayed"]
    assert (code, played["difference"]) == (0, None)
    assert any("nothing is compared" in note for note in played["notes"])
    code, out, _ = simkit(*run, "--for", "label:main_loop#2")
    assert json.loads(out)["cycle"] == Machine.load("demo:marlpit").run("label:main_loop#2")
    assert code == 0


def test_a_run_with_the_serial_line_joined_ends_at_an_event():
    def run(*options):
        command = [sys.executable, "-m", "simkit", "run", "demo:monitor", "--terminal", "here", "--json", *options]
        done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=120)
        return done.returncode, done.stdout, json.loads(done.stderr)

    code, out, found = run("--for", 'text:"Do:"', "--type", 'help\\n@text:"list of words."')
    assert (code, found["until"]["come"], found["not_given"]) == (0, True, [])
    assert "Do: " in out
    m = Machine.load("demo:monitor")
    assert abs(found["cycle"] - m.run('text:"Do:"')) < m.clock_hz / 50  # how often a terminal is looked at
    code, _, found = run("--for", "label:$0003", "--timeout", "10ms")
    assert (code, found["until"]["come"]) == (1, False)


def test_a_window_is_given_no_end(simkit):
    for option in (("--for", "label:x"), ("--until", ""), ("--timeout", "2s")):
        code, _, err = simkit("run", "demo:marlpit", *option)
        assert code == 2
        assert "needs --headless: a window runs until it is closed" in err


def test_input_that_a_power_cycle_took_is_told():
    m = Machine.load("demo:marlpit")
    script = Running(pads=["1=start@0.2s", "1=right@label:main_loop#2"]).script(m, None)
    m.run(seconds=0.05)
    m.power_cycle()
    m.run("label:main_loop#2")
    m.run(cycles=100)
    (told,) = script.not_given()
    assert "never given: the power was switched off in cycle 100 0" in told
