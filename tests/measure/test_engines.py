"""The bench: its programs run as meant on both engines, and what it prints can be read by programs."""

import json

import pytest

from simkit import Machine
from simkit.commands.main import main
from simkit.cpu.core.runtime import words as core_words
from simkit.measure import beside, cards, engines

CODED = [workload for workload in engines.WORKLOADS if workload.code is not None]


@pytest.mark.parametrize("workload", CODED, ids=lambda workload: workload.name)
def test_a_workload_goes_on_for_ever_and_is_the_same_on_both_engines(workload):
    image = engines.image_of(workload)
    machines = [Machine.load(engines.DEMO, images={2: image}, engine=engine) for engine in ("exact", "auto")]
    for machine in machines:
        machine.run(cycles=150_000)
        assert machine.cpu.halted is None
        assert {pc >> 8 for _, pc in machine.cpu.last_notes()} <= {0x80, 0x04}
    assert machines[0].save_state() == machines[1].save_state()


def test_the_bench_prints_figures_for_programs(monkeypatch, capsys):
    monkeypatch.setattr(engines, "WORKLOADS", engines.WORKLOADS[:1])
    monkeypatch.setattr(engines, "TURN_SECONDS", 0.01)
    monkeypatch.setattr(engines, "WARM_UP_CYCLES", 50_000)
    monkeypatch.setattr(beside, "RUN_CYCLES", 50_000)
    monkeypatch.setattr(beside, "WARM_UP_CYCLES", 50_000)
    monkeypatch.setattr(cards, "SCENES", {})
    monkeypatch.setattr(cards, "entries", lambda: {})
    with pytest.raises(SystemExit) as stopped:
        main(["bench", "--json"])
    assert stopped.value.code == 0
    found = json.loads(capsys.readouterr().out)
    (one,) = found["workloads"]
    assert one["name"] == "arithmetic loop"
    assert one["ratio"] == pytest.approx(one["core_mhz"] / one["py65_mhz"])
    assert found["geometric_mean_ratio"] == pytest.approx(one["ratio"])
    assert one["py65_mhz"] > 0
    assert one["exact_mhz"] > 0
    assert found["core"] == core_words()
    names = [(row["name"], row["to"]) for row in found["beside"]]
    assert names == [
        ("cold code", "the same in a loop"),
        ("exchanged data lines", "straight RAM"),
        ("4 MHz, wait states", "no wait states"),
        ("recorded", "plain Marlpit"),
        ("check", "recorded Marlpit"),
        ("coverage", "plain Marlpit"),
        ("time", "recorded Marlpit"),
        ("time of many calls", "the same unmeasured"),
        ("check with time", "check"),
    ]
    assert all(row["ratio"] == pytest.approx(row["mhz"] / row["other_mhz"]) for row in found["beside"])
    assert found["registers"] == []
