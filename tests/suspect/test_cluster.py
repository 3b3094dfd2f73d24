"""The same work elsewhere: on a real scheduler, one of its two workers killed in the middle; what is told of others."""

import os
import shutil
import subprocess
import sys
import time
from concurrent.futures import BrokenExecutor, Future, ThreadPoolExecutor

import attrs
import pytest

from simkit.commands.main import main
from simkit.contract.errors import FileError, SimkitError
from simkit.machine.machine import Machine
from simkit.suspect import cluster
from simkit.suspect.catalogue import catalogue
from simkit.suspect.cluster import About, Checked, Cluster, connected
from simkit.suspect.runs import run_all
from simkit.suspect.trial import Trial
from tests.suspect.real_cluster import TREE, RealCluster


def said(outcomes):
    runs = {name: [(run.evidence, run.cycle, run.pc, run.memory) for run in own] for name, own in outcomes.runs.items()}
    return outcomes.identity, outcomes.names, outcomes.classes, runs, outcomes.not_shown, outcomes.troubles


@pytest.fixture(scope="module")
def small():
    return Trial.of(Machine.load("demo:bench"), 1000)


@pytest.fixture(scope="module")
def some(small):
    return catalogue(small.description)[::200]


@pytest.fixture(scope="module")
def done_here(small, some):
    with ThreadPoolExecutor(1) as pool:
        return run_all(small, some, executor=pool)


def test_any_executor_does_the_same_work_whatever_comes_first(small, some, done_here):
    with ThreadPoolExecutor(2) as pool:
        found = run_all(small, some, executor=Checked(pool))
    assert said(found) == said(done_here)
    assert list(found.runs) == list(done_here.runs)


def test_a_worker_that_comes_later_with_another_kit_does_nothing(small, some, monkeypatch):
    kept = []
    whole = cluster.checked
    monkeypatch.setattr(cluster, "checked", lambda kit, *words: whole("0" * 64, *words))
    with ThreadPoolExecutor(1) as pool, pytest.raises(SimkitError, match="another version of the kit"):
        run_all(small, some, executor=Checked(pool), keep=kept.append)
    assert len(kept) == 1


class Broken(ThreadPoolExecutor):
    """As a pool is when the system has ended one of its processes; the first pieces came back before."""

    def submit(self, call, /, *arguments, **words):
        future = super().submit(call, *arguments, **words)
        if call.__name__ == "_run":
            broken = Future()
            broken.set_exception(BrokenExecutor("a process was terminated abruptly"))
            return broken
        return future


def test_a_process_of_this_host_that_is_ended_by_the_system_is_told_and_what_is_done_is_kept(small, some):
    kept = []
    with Broken(1) as pool, pytest.raises(FileError, match="ended by the system"):
        run_all(small, some, executor=pool, keep=kept.append)
    assert len(kept) == 1
    assert kept[0].classes


def test_each_difference_between_two_hosts_that_could_matter_is_told(small):
    mine = About.of(small)
    assert mine.other(About.of(small)) is None
    for field in attrs.fields(About):
        its = attrs.evolve(mine, **{field.name: {1: "other"} if field.name == "cards" else "other"})
        assert mine.other(its), field.name


def test_another_text_in_a_file_of_the_kit_is_another_kit(tmp_path, monkeypatch):
    package = tmp_path / "a_kit"
    package.mkdir()
    (package / "__init__.py").write_text("")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setattr(cluster, "KIT", ("a_kit",))
    before = cluster.kit.__wrapped__()
    assert before == cluster.kit.__wrapped__()
    (package / "__init__.py").write_text("# changed\n")
    assert cluster.kit.__wrapped__() != before


def test_nobody_left_to_do_the_work_ends_it(monkeypatch):
    monkeypatch.setattr(cluster, "LOOK_SECONDS", 0.0)
    there = Cluster(None, 1, 1, lambda: False).watched(lambda part: True)
    assert there(0.1)
    monkeypatch.setattr(cluster, "NOBODY_SECONDS", -1.0)
    with pytest.raises(FileError, match="has had no worker"):
        there(0.1)


SEARCH = ("suspect", "demo:bench", "--for", "1ms", "--slot", "3", "--seen-nothing")


@pytest.mark.parametrize(
    ("address", "code", "words"),
    [
        ("tcp://127.0.0.1:1", 74, "no scheduler answers there within"),
        ("nonsense", 2, "missing port"),
        ("tls://127.0.0.1:1", 2, "certificates"),
    ],
)
def test_an_address_where_nobody_answers_gets_one_message(address, code, words, capsys, monkeypatch):
    monkeypatch.setattr(connected.__wrapped__, "__defaults__", (0.3,))
    with pytest.raises(SystemExit) as ended:
        main([*SEARCH, "--cluster", address])
    out, err = capsys.readouterr()
    assert (ended.value.code, out) == (code, "")
    assert words in err
    assert len(err.splitlines()) == 2


def test_without_the_package_it_is_told_what_to_install(capsys, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(SystemExit) as ended:
        main([*SEARCH, "--cluster", "tcp://127.0.0.1:1"])
    assert ended.value.code == 2
    assert 'pip install "backplane-simkit[cluster]"' in capsys.readouterr().err


MANY = 120
"""Each so-manieth candidate is tried on real ones."""


@pytest.fixture
def real(tmp_path):
    with RealCluster(tmp_path) as found:
        found.wait_for_workers(2)
        yield found


@pytest.mark.slow
def test_two_workers_one_of_them_killed_in_the_middle_find_what_this_host_finds(real, trial):
    some = catalogue(trial.description)[::MANY]
    here = run_all(trial, some)
    killed = []

    def kill_one(part):
        if part > 0.4 and not killed:
            real.workers[0].kill()
            killed.append(part)
        return True

    with connected(real.address, trial) as there:
        assert (there.workers, there.threads) == (2, 2)
        found = run_all(trial, some, executor=there.executor, goes_on=there.watched(kill_one))
    assert 0.4 < killed[0] < 0.9
    assert said(found) == said(here)
    assert found.is_whole


@pytest.mark.slow
def test_a_search_that_is_stopped_keeps_what_is_done_and_goes_on_elsewhere(real, trial):
    some = catalogue(trial.description)[::MANY]
    with connected(real.address, trial) as there:
        part = run_all(trial, some, executor=there.executor, goes_on=lambda part: part < 0.5)
    assert not part.is_whole
    assert len(part.runs) > 2
    with connected(real.address, trial) as there:
        whole = run_all(trial, some, executor=there.executor, known=part)
    assert said(whole) == said(run_all(trial, some))


@pytest.mark.slow
def test_a_scheduler_that_is_lost_is_told_and_what_is_done_is_kept(real, trial, caplog):
    some = catalogue(trial.description)[::MANY]
    kept = []

    def lose(part):
        if part > 0.4:
            real.scheduler.kill()
        return True

    with pytest.raises(FileError, match="the scheduler is gone"), connected(real.address, trial) as there:
        run_all(trial, some, executor=there.executor, goes_on=there.watched(lose), keep=kept.append)
    assert len(kept) == 1
    assert len(kept[0].runs) > 2
    assert not [record for record in caplog.records if record.name.startswith("distributed")]


@pytest.mark.slow
def test_the_command_says_in_two_lines_that_the_scheduler_is_gone_and_keeps_the_runs(real, tmp_path):
    session = tmp_path / "my.search"
    words = ["suspect", "demo:bench", "--for", "200ms", "--seen-nothing", "--session", str(session)]
    asked = subprocess.Popen(
        [sys.executable, "-m", "simkit", *words, "--cluster", real.address],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=real.environment, cwd=tmp_path,
    )  # fmt: skip
    time.sleep(20)
    assert asked.poll() is None
    real.scheduler.kill()
    out, err = asked.communicate(timeout=60)
    assert (asked.returncode, out) == (74, "")
    assert [line.split(":")[0] for line in err.splitlines()][-2:] == [
        "--cluster tcp",
        "Start it and its workers again, and give the command again.",
    ]
    assert "Traceback" not in err


@pytest.mark.slow
def test_workers_with_another_kit_or_none_are_refused_by_name(tmp_path, small):
    (tmp_path / "none" / "simkit").mkdir(parents=True)
    (tmp_path / "none" / "simkit" / "__init__.py").write_text("")
    shutil.copytree(TREE / "simkit", tmp_path / "other" / "simkit", ignore=shutil.ignore_patterns("__pycache__"))
    (tmp_path / "other" / "simkit" / "suspect" / "__init__.py").write_text("# changed\n")
    with RealCluster(tmp_path, workers=0) as real:
        with pytest.raises(FileError, match="has no worker"), connected(real.address, small):
            pass
        path = os.pathsep.join([str(tmp_path / "other"), str(TREE / "cards")])
        real.worker(PYTHONPATH=path)
        real.worker(PYTHONPATH=str(tmp_path / "none"))
        real.wait_for_workers(2)
        with pytest.raises(SimkitError) as told, connected(real.address, small):
            pass
    assert "2 of 2 workers cannot do the same work" in told.value.message
    lines = "\n".join(told.value.lines)
    assert "has another version of the kit" in lines
    assert "ModuleNotFoundError" in lines


@pytest.mark.slow
def test_cards_of_files_are_run_by_workers_that_have_no_such_file(real):
    trial = Trial.of(Machine.load("demo:traps"), 1000)
    some = catalogue(trial.description)[::60]
    with connected(real.address, trial) as there:
        found = run_all(trial, some, executor=there.executor)
    assert said(found) == said(run_all(trial, some))
