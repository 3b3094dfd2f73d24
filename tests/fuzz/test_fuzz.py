"""Inputs made up by structure: a short run of them, a long one, what was found once, and is every fault noticed?"""

import json
import os
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import pytest

HERE = Path(__file__).parent
RUN = [sys.executable, "-B", str(HERE / "run.py")]


@pytest.fixture(scope="module", autouse=True)
def beside():
    """The harness is found beside its tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(HERE))
        yield


def report(*words):
    """What a run tells programs, and whether it found something."""
    done = subprocess.run([*RUN, *words, "--json"], capture_output=True, text=True, check=False)
    assert done.returncode in (0, 1), done.stderr[-3000:]
    found = json.loads(done.stdout)
    assert bool(found["faults"]) is (done.returncode == 1)
    return found


def shown(found):
    return "\n\n".join(
        f"{fault['kind']}: {fault['what']} ({fault['count']}), `python tests/fuzz/run.py --again {fault['units'][0]}`\n"
        f"{fault['shown'][-1500:]}"
        for fault in found["faults"]
    )


def test_a_short_run_finds_nothing():
    found = report("--seed", "1", "--inputs", "300", "--processes", "4", "--workers", "1")
    assert not found["faults"], shown(found)
    assert sum(tally["inputs"] for tally in found["kinds"].values()) == 304
    for kind, tally in found["kinds"].items():
        if tally["inputs"] >= 15:
            assert 0 < tally["taken"] < tally["inputs"], f"{kind}: all the same, so its structure is not known"


@pytest.mark.slow
def test_a_long_run_finds_nothing():
    found = report("--seed", "1", "--inputs", "100000", "--processes", "1000")
    assert not found["faults"], shown(found)


def test_what_was_found_once_is_mended():
    done = subprocess.run([*RUN, "--found"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout == f"{len(list((HERE / 'found').iterdir()))} inputs that were found once, 0 faults\n"


SAME = """
import sys
sys.path.insert(0, sys.argv[1])
from fuzzing.kinds import KINDS
from fuzzing.processes import PROCESS_KINDS
from fuzzing.units import Unit
for kind in (*KINDS, *PROCESS_KINDS):
    for number in range(4):
        print(Unit(5, kind, number).sample().to_text())
"""


def test_a_unit_is_the_same_input_everywhere():
    told = [
        subprocess.run(
            [sys.executable, "-c", SAME, str(HERE)],
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in ("1", "2")
    ]
    assert told[0] == told[1]
    assert len(told[0]) > 10_000


def test_a_sample_is_the_same_after_it_was_kept():
    from fuzzing.processes import PROCESS_KINDS
    from fuzzing.sample import Sample
    from fuzzing.units import Unit, units

    for unit in [*units(3, 200, [], processes=False), *units(3, 30, list(PROCESS_KINDS), processes=True)]:
        sample = Unit.of_text(str(unit)).sample()
        assert Sample.of_text(sample.to_text()) == sample


def test_every_option_of_every_command_is_tried():
    from fuzzing.commandlines import LONG, command, commands
    from fuzzing.rolls import Rolls

    seen = Counter()
    for number in range(4000):
        argv = command(Rolls(f"1/command/{number}")).argv
        path = next((path for path in commands() if argv[: len(path)] == path), None)
        if path is not None:
            seen.update((path, word.partition("=")[0]) for word in argv if word.startswith("--"))
    options = [(path, taken.name) for path, all_taken in commands().items() for taken in all_taken if taken.option]
    assert len(options) > 100
    rare = [each for each in options if seen[each] < 3]
    assert not rare
    assert {path[0] for path in commands()} >= LONG


def test_an_option_of_a_kind_that_nobody_knows_gets_values_of_many_kinds():
    from fuzzing.commandlines import Taken, _value
    from fuzzing.rolls import Rolls

    taken = Taken(name="--new", metavar="NEW", flag=False, many=False, needed=False, option=True)
    values = {_value(Rolls(number), taken) for number in range(300)}
    assert len(values) > 60


PLANTED = """
import json, os, signal, sys, time
from pathlib import Path
from tempfile import mkdtemp
sys.path.insert(0, sys.argv[1])
from fuzzing import calls, faults, judge, paths, sandbox, shrink
from fuzzing.sample import Sample
import simkit.commands.app

def write(name, text="x"):
    path = Path(name)
    path.write_text(text)

def hang():
    while True:
        pass

def parse(text):
    if "Z" in text:
        raise KeyError("Z")

def lines(argv, begins):
    what = argv[0]
    exec(BODIES[what], globals())
    return 0

BODIES = json.loads(sys.argv[2])
FILES = {"rom.bin": b"rom", "old.png": b"\\x89PNG", "a.json": b'{"format": "simkit-coverage", "version": 1}'}
simkit.commands.app.run = lines
calls.CALLS["labels"] = lambda sample: parse(Path("a").read_text())
faults.HANG_SECONDS = 0.8
judge.GIVE_UP = 1.5
here = judge.Judge(Path(mkdtemp()) / "one" / "two")
sandbox.peak_begins()
judge.MOST_BYTES = sandbox.peak_bytes() + 50_000_000  # so much is filled fast on any computer, or it would be a hang
told = {}
for name in BODIES:
    outcome = here.try_sample(Sample(call="command", argv=(name,), files=FILES))
    told[name] = sorted({fault.kind for fault in outcome.faults})
sample = Sample(call="labels", files={"a": b"abc\\n" * 50 + b"xxZyy\\n" + b"def\\n" * 50, "b": b"more"})
(fault,) = here.try_sample(sample).faults
small = shrink.shrunk(sample, fault, here.try_sample)
told["shrunk"] = [fault.what, small.to_text()]
print(json.dumps(told), file=sys.__stdout__)
"""

BODIES = {
    "nothing wrong": ("print('fine')", []),
    "fault": ("1 / 0", ["traceback"]),
    "printed": ("print('fine'); sys.stderr.write('Traceback (most recent call last)\\n')", ["traceback"]),
    "hang": ("hang()", ["hang"]),
    "slow": ("print('x')\nuntil = time.process_time() + 0.9\nwhile time.process_time() < until: pass", ["hang"]),
    "outside": ("print('x'); write('../outside')", ["outside"]),
    "home": ("print('x'); write(os.path.expanduser('~/.simkit'))", ["outside"]),
    "removed outside": ("print('x'); os.mkdir('../new'); os.rmdir('../new')", ["outside"]),
    "started": ("print('x'); os.system('true')", ["outside"]),
    "inside": ("print('x'); write('new.txt')", []),
    "memory": ("print(len(bytearray(100_000_000)))", ["memory"]),
    "code": ("print('x')\nraise SystemExit(200)", ["exit code"]),
    "secret": ("print(paths.SECRET)", ["foreign content"]),
    "mark": ("print('a\\x1b[31m')", ["control characters"]),
    "direction": ("print('a\\u202e')", ["control characters"]),
    "silent": ("pass", ["contradiction"]),
    "both": ("print('x')\nfrom simkit import SimkitError\nraise SimkitError('No.')", ["contradiction"]),
    "refused too late": (
        "write('new.bin')\nfrom simkit import SimkitError\nraise SimkitError('No.')",
        ["left over"],
    ),
    "half": ("print('x'); write('.a.png.part')", ["left over"]),
    "over": ("print('x'); write('rom.bin')", ["overwritten"]),
    "away": ("print('x'); os.remove('rom.bin')", ["overwritten"]),
    "picture": ("print('x'); write('old.png', 'new')", []),
    "counts": ("print('x'); write('a.json', 'new')", []),
}


def test_every_kind_of_fault_is_noticed_and_made_small(tmp_path):
    told_here = Path("/proc/self/clear_refs").exists()  # how much memory there was
    wanted = {name: kinds for name, (_, kinds) in BODIES.items() if kinds != ["memory"] or told_here}
    bodies = {name: BODIES[name][0] for name in wanted}
    done = subprocess.run(
        [sys.executable, "-B", "-c", PLANTED, str(HERE), json.dumps(bodies)],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "TMPDIR": str(tmp_path)},
    )
    told = json.loads(done.stdout)
    what, small = told.pop("shrunk")
    assert told == wanted
    assert what.startswith("KeyError in ")
    assert json.loads(small)["files"] == {"a": {"lines": ["Z"]}}


@pytest.mark.needs("fork", "resource")
def test_a_process_tells_its_own_memory_and_its_own_exit_code(tmp_path):
    """Not the memory of whoever starts it, which Linux would hand on."""
    from fuzzing.processes import run_process

    def outcome(script):
        return run_process([sys.executable, "-c", script], tmp_path, dict(os.environ))

    held = b"x" * 300_000_000
    assert 0 < outcome("print(1)").peak_bytes < 100_000_000 < len(held)
    assert 200_000_000 < outcome("print(len(b'x' * 200_000_000))").peak_bytes < 290_000_000
    assert [outcome(f"import os; os._exit({code})").code for code in (0, 3, 141)] == [0, 3, 141]
    assert outcome("import os; os.kill(os.getpid(), 11)").code == -11
    busy = "import time\nuntil = time.process_time() + 0.3\nwhile time.process_time() < until: pass"
    assert 0.3 < outcome(busy).seconds < 3


@pytest.mark.needs("fork", "resource", "SIGKILL")
def test_a_process_that_does_not_end_is_ended_however_it_takes_signals(tmp_path, monkeypatch):
    from fuzzing import processes
    from fuzzing.sample import Sample

    monkeypatch.setattr(processes, "PATIENCE_SECONDS", 1.0)
    deaf = "import signal, time\nsignal.signal(signal.SIGTERM, signal.SIG_IGN)\ntime.sleep(100)"
    begun = time.monotonic()
    assert processes.run_process([sys.executable, "-c", deaf], tmp_path, dict(os.environ)).code == processes.KILLED
    orderly = "import signal, sys, time\nsignal.signal(signal.SIGTERM, lambda *_: sys.exit(0))\ntime.sleep(100)"
    monkeypatch.setattr(processes, "real_command", lambda: [sys.executable, "-c", orderly])
    (fault,) = processes.Processes(tmp_path / "one" / "two").try_sample(Sample(call="command", argv=("run",))).faults
    assert fault.kind == "hang"
    assert time.monotonic() - begun < 60


def test_a_worker_makes_room_for_another_after_many_units(monkeypatch):
    from fuzzing import job
    from fuzzing.units import units

    started = []
    start = job.Worker._start
    monkeypatch.setattr(job, "RENEWED", 3)
    monkeypatch.setattr(job.Worker, "_start", staticmethod(lambda: started.append(1) or start()))
    found = job.run(units(1, 5, ["clock"], processes=False), 1)
    assert (len(started), found.tallies["clock"].inputs, found.faults) == (2, 5, {})


def test_ctrl_c_ends_a_run_that_tells_what_it_did(tmp_path):
    from fuzzing import job
    from fuzzing.units import units

    def enough(done):
        raise KeyboardInterrupt

    found = job.run(units(1, 200, ["clock"], processes=False), 1, enough)
    assert found.broken_off
    assert 0 < found.tallies["clock"].inputs < 200


def test_a_worker_that_is_lost_costs_one_unit(tmp_path):
    """One unit ends its process, which is told, and the others are run."""
    script = tmp_path / "run.py"
    script.write_text(
        f"import sys, os\nsys.path.insert(0, {str(HERE)!r})\n"
        "from fuzzing import calls, job\n"
        "taken = calls.CALLS['clock']\n"
        "calls.CALLS['clock'] = lambda sample: os._exit(7) if sample.argv[0].startswith('1') else taken(sample)\n"
        "if __name__ == '__main__':\n    job.work()\n"
    )
    from fuzzing import job
    from fuzzing.units import units

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(job, "RUN", script)
        todo = units(3, 6, ["clock"], processes=False)
        todo.reverse()
        lost = [unit for unit in todo if unit.sample().argv[0].startswith("1")]
        found = job.run(todo, 1)
    assert lost == todo[:1]
    assert [unit for unit, _ in found.faults["lost", "clock: the process ended with 7"]] == [str(unit) for unit in lost]
    assert found.tallies["clock"].inputs == 6


def test_the_report_for_people_names_units_and_totals():
    done = subprocess.run(
        [*RUN, "--seed", "4", "--inputs", "40", "--kind", "clock", "--workers", "1"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout
    assert "40 inputs in process and 0 processes in " in done.stdout
    assert "0 tracebacks, 0 hangs, 0 writes outside, 0 with too much memory" in done.stdout
