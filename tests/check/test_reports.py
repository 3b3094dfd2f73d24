"""What the check hands out: text with places, JSON, SARIF, accepted findings."""

import importlib.util
import json
import shutil
from fractions import Fraction
from pathlib import Path

import pytest
from pydantic_sarif.model import StaticAnalysisResultsFormatSarifVersion210JsonSchema as Sarif

from simkit import Machine
from simkit.check.result.accept import read_accepted
from simkit.check.result.findings import placed
from simkit.check.result.notes import Noted
from simkit.check.result.report import report_text
from simkit.check.result.sarif import sarif, sarif_text
from simkit.check.run import check
from simkit.contract.errors import SimkitError
from simkit.rom.labels import Labels
from simkit.rom.listing import read_listing
from simkit.rom.places import Places

ROOT = Path(__file__).resolve().parents[2]
BENCH = Path(__file__).parent / "bench"


@pytest.fixture
def bench(tmp_path):
    """Bench machine with the ROM that reads a cell never written, assembled into a folder of its own."""
    spec = importlib.util.spec_from_file_location("roms_build", ROOT / "roms" / "build.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    shutil.copy(BENCH / "bench_card.py", tmp_path)
    shutil.copy(BENCH / "machine-65C02.toml", tmp_path / "machine.toml")
    for kind, path in module.assemble(ROOT / "roms" / "rules" / "never-written.asm", tmp_path).items():
        path.replace(tmp_path / f"rule.{kind}")
    shutil.copy(ROOT / "roms" / "rules" / "never-written.asm", tmp_path)
    return tmp_path


def run(folder):
    return check(Machine.load(folder), seconds=Fraction(1, 100))


def test_a_finding_says_what_where_why_and_what_to_do(bench):
    text = report_text(run(bench))
    assert f"{bench}/never-written.asm:7: error: never-written: $0010 is read and was never written" in text
    assert "at $8004 (start+4): inc $10" in text
    assert "Hardware: Static RAM powers up with noise" in text
    assert "Do: Write the cell before it is read" in text
    assert "Rule bench: 1 finding in 0.01 s of machine time" in text


def test_repeats_are_folded_with_a_count(bench):
    source = (bench / "never-written.asm").read_text()
    (bench / "never-written.asm").write_text(source.replace("inc $10", "lda $7010").replace("jmp stop", "jmp start"))
    spec = importlib.util.spec_from_file_location("roms_build", ROOT / "roms" / "build.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    shutil.copy(ROOT / "roms" / "rules" / "bench.inc", bench)
    for kind, path in module.assemble(bench / "never-written.asm", bench).items():
        path.replace(bench / f"rule.{kind}")
    undriven = [f for f in run(bench).findings if f.rule.name == "undriven-read"]
    assert len(undriven) == 1
    assert undriven[0].count > 100


def test_sarif_fits_the_published_schema(bench):
    """Models made from sarif-schema-2.1.0.json (OASIS, SARIF 2.1.0, 27 March 2020), which refuse what it refuses."""
    (bench / "accepted.toml").write_text('[[accept]]\nrule = "never-written"\nreason = "a seed for chance"\n')
    log = json.loads(sarif_text(run(bench)))
    Sarif.model_validate(log)
    result = log["runs"][0]["results"][0]
    assert result["ruleId"] == "never-written"
    assert result["suppressions"] == [{"kind": "external", "justification": "a seed for chance"}]
    assert result["locations"][0]["physicalLocation"]["region"] == {"startLine": 7}


def test_every_result_has_a_place_whose_uri_can_be_read(bench, monkeypatch):
    """SARIF 2.1.0, 3.4.3 and RFC 3986, 2.1: `#` and `%` in a path are escaped."""
    odd = bench / "odd #1%"
    odd.mkdir()
    for path in bench.glob("*.*"):
        if path.is_file():
            path.rename(odd / path.name)
    monkeypatch.chdir(bench)
    log = json.loads(sarif_text(run(odd)))
    (odd / "rule.bin").write_bytes((odd / "rule.bin").read_bytes()[:-6] + bytes.fromhex("00F0 0080 00F0"))
    stale = json.loads(sarif_text(run(odd)))
    places = {}
    for one in (*log["runs"][0]["results"], *stale["runs"][0]["results"]):
        places.setdefault(one["ruleId"], one["locations"][0]["physicalLocation"]["artifactLocation"]["uri"])
    assert places["never-written"] == "odd%20%231%25/never-written.asm"
    assert places["labels-stale"] == "odd%20%231%25/machine.toml"
    assert places["vector-astray"] == "odd%20%231%25/machine.toml"
    Sarif.model_validate(stale)


def test_a_vector_that_leads_astray_lies_in_the_line_that_holds_it(bench):
    listing = read_listing(bench / "rule.lst")
    found = placed(Noted("vector-astray", "", None, 0xFFFC, 2, -1), Places(Labels(), listing), {2: "ROM (slot 2)"})
    assert (found.card, found.as_dict()["slot"], found.as_dict()["card"]) == ("ROM (slot 2)", 2, "ROM (slot 2)")
    assert (Path(found.file).name, found.source[:5]) == ("never-written.asm", ".word")


def test_the_schema_models_refuse_a_wrong_log(bench):
    log = sarif(run(bench))
    log["runs"][0]["results"][0]["level"] = "terrible"
    with pytest.raises(ValueError, match="level"):
        Sarif.model_validate(log)


def test_an_accepted_finding_does_not_count(bench):
    (bench / "accepted.toml").write_text(
        '[[accept]]\nrule = "never-written"\nat = "start"\nreason = "a seed for chance"\n'
    )
    result = run(bench)
    assert result.open == []
    assert "because a seed for chance" in report_text(result)


def test_an_acceptance_of_another_place_does_not_cover(bench):
    (bench / "accepted.toml").write_text(
        '[[accept]]\nrule = "never-written"\nat = "$9000"\nreason = "a seed for chance"\n'
    )
    result = run(bench)
    assert len(result.open) == 1
    assert any("did not come up at $9000" in remark for remark in result.remarks)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('[[accept]]\nrule = "never-written"\n', "accepted.toml:1: The entry gives no reason."),
        (
            '[[accept]]\nrule = "never-written"\nreason = "hook"\n',
            "accepted.toml:3: The reason 'hook' is one word only.",
        ),
        (
            '[[accept]]\nrule = "never-writen"\nreason = "so it is"\n',
            "accepted.toml:2: There is no rule 'never-writen'.",
        ),
        (
            '[[accept]]\nrule = "never-written"\nreason = "so it is"\nwhere = 1\n',
            "accepted.toml:4: Unknown key 'where'.",
        ),
        (
            'accept = [\n{ rule = "never-written", reason = """\nso\n[[accept]]\nit is""" },\n{ rule = "x" },\n]\n',
            "accepted.toml:6: The entry gives no reason.",
        ),
        (
            '[[accept]]\nrule = "never-written"\nat = "$xyz"\nreason = "so it is"\n',
            "accepted.toml:3: '$xyz' is no place.",
        ),
        ("\naccept = 3\n", "accepted.toml:2: Entries are written as [[accept]] tables."),
        ("\naccepted = 3\naccept = []\n", "accepted.toml:2: Unknown key 'accepted'."),
        ("\naccepted = 3\n", "accepted.toml: This is no list of accepted findings: it says nothing of accept."),
        ("\n" + "[[accept]]\n" * 501, "accepted.toml:502: The file has more than 500 entries."),
    ],
)
def test_a_wrong_file_of_acceptances_is_told(text, message, tmp_path):
    path = tmp_path / "accepted.toml"
    path.write_text(text)
    with pytest.raises(SimkitError) as caught:
        read_accepted(path)
    assert message in str(caught.value)


def test_the_check_wants_a_machine_just_loaded(bench):
    machine = Machine.load(bench)
    machine.run(cycles=10)
    with pytest.raises(SimkitError, match="from power-on"):
        check(machine)


def test_a_stale_listing_is_told_and_not_used(bench):
    image = bytearray((bench / "rule.bin").read_bytes())
    image[4:6] = b"\xea\xea"
    (bench / "rule.bin").write_bytes(image)
    found = run(bench).findings
    assert "labels-stale" in {f.rule.name for f in found}
    assert all(f.file is None for f in found)


def test_a_hex_file_for_another_address_is_told(bench):
    from simkit.rom.images import write_image

    code = (bench / "rule.bin").read_bytes()
    (bench / "rule.hex").write_bytes(write_image(code[:0x1000], ".hex", address=0x4000))
    (bench / "machine.toml").write_text((bench / "machine.toml").read_text().replace("rule.bin", "rule.hex"))
    # the offsets in the part are then $4000 to $4FFF: the file fits the part as offsets and is taken as such
    assert "image-elsewhere" not in {f.rule.name for f in run(bench).findings}
    (bench / "rule.hex").write_bytes(write_image(code[:0x1000], ".hex", address=0x7800))
    assert "image-elsewhere" in {f.rule.name for f in run(bench).findings}
