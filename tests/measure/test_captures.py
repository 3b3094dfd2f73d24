"""How fast captures are read is measured in each form, and a reader that loses cycles is told."""

import json

import pytest

from simkit.commands.main import main
from simkit.contract.errors import SimkitError
from simkit.measure import captures


def test_each_form_is_measured_and_none_loses_cycles(monkeypatch, capsys):
    monkeypatch.setattr(captures, "SAMPLES", 4000)
    with pytest.raises(SystemExit) as stopped:
        main(["bench", "--captures", "--json"])
    assert stopped.value.code == 0
    rows = json.loads(capsys.readouterr().out)["captures"]
    assert [row["format"] for row in rows] == list(captures.FORMATS)
    assert all(row["cycles"] >= 498 and row["seconds"] > 0 and row["changes"] > row["cycles"] for row in rows)
    busy = {row["format"]: row["changes"] / row["samples"] for row in rows}
    assert busy["VCD, 8 lines busy"] > 8 > 2 > busy["VCD"]


def test_the_table_has_a_line_a_form(monkeypatch, capsys):
    monkeypatch.setattr(captures, "SAMPLES", 4000)
    with pytest.raises(SystemExit):
        main(["bench", "--captures"])
    out = capsys.readouterr().out.splitlines()
    assert len(out) == 2 + len(captures.FORMATS)
    assert out[-1].startswith("bus lines")


def test_a_reader_that_loses_cycles_is_told(monkeypatch):
    monkeypatch.setattr(captures, "FORMATS", {"half": (lambda levels: captures.as_rows(levels[:2000]), False)})
    with pytest.raises(SimkitError, match="Of 500 cycles in half only"):
        captures.measure_captures(samples=4000)
