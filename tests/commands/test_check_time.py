"""`simkit check --time`: tables, data, picture, and what cannot be asked together."""

import json

import pytest

RUN = ("check", "demo:keyboard-on-ports", "--for", "0.6s", "--time", "--type", "a@0.5s")


def test_it_prints_tables_behind_the_findings(simkit):
    code, out, err = simkit(*RUN)
    assert code == 0, err
    findings, tables = out.split("Where the time went: ")
    assert "no findings" in findings
    assert tables.startswith("600 0")  # 1 MHz; the last instruction is finished
    for head in ("Routines, cycles", "Handlers, cycles", "IRQ low to the first fetch", "Lines of the source:"):
        assert head in tables
    assert "keyboard-on-ports.asm:" in tables


def test_data_says_the_same_as_a_measurement_from_python(simkit):
    from simkit import Machine, time_spent

    code, out, _ = simkit(*RUN, "--json")
    assert code == 0
    data = json.loads(out)["time"]
    machine = Machine.load("demo:keyboard-on-ports")
    machine.keys.type("a", at=500_000)
    spent = time_spent(machine, seconds=0.6)
    assert data["cycles"] == spent.cycles
    assert data["main"] == spent.own
    assert [(one["label"], one["calls"], one["own"], one["worst"]) for one in data["routines"]] == [
        (one.name, one.calls, one.own, one.lengths.worst) for one in spent.routines
    ]
    assert sum(one["cycles"] for one in data["lines"]) + data["sequences"] == data["cycles"]
    assert data["latency"]["IRQ"]["requests"] == spent.latency["IRQ"].lengths.number


def test_without_it_nothing_is_told_of_time(simkit):
    code, out, _ = simkit(*RUN[:4], "--json")
    assert code == 0
    assert "time" not in json.loads(out)


def test_what_a_check_tries_behind_its_run_is_not_measured(simkit):
    _code, out, _ = simkit("check", "demo:marlpit", "--for", "0.2s", "--time", "--json")
    data = json.loads(out)
    assert data["time"]["cycles"] == data["cycles"]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--svg", "x.svg"), "--svg says how it is told where the time goes"),
        (("--each-frame", "reset"), "--each-frame says how it is told where the time goes"),
        (("--time", "--one-line"), "--one-line is a line a finding"),
        (("--time", "--each-frame", "rest"), "There is no label 'rest'"),
    ],
)
def test_what_cannot_be_asked_is_refused(simkit, words, told):
    code, out, err = simkit("check", "demo:keyboard-on-ports", "--for", "0.1s", *words)
    assert code == 2
    assert out == ""
    assert told in err


def test_the_picture_is_of_all_cycles(simkit, tmp_path):
    code, _out, err = simkit(*RUN, "--svg", "time.svg")
    assert code == 0
    assert "Written: time.svg" in err
    text = (tmp_path / "time.svg").read_text()
    assert "main program" in text
    assert "stroke-dasharray" in text  # a handler
    code, _, err = simkit(*RUN, "--svg", "time.svg")  # its own kind is written over
    assert code == 0
    (tmp_path / "time.svg").write_text("mine")
    code, _, err = simkit(*RUN, "--svg", "time.svg")
    assert code == 2
    assert (tmp_path / "time.svg").read_text() == "mine"
