"""`simkit cards` and `simkit new card`: what they print, write and refuse."""

import json
import re
import subprocess
import sys
from importlib.metadata import EntryPoint

import pytest

from simkit.commands.cards import card_lines, contract_report, describe_all
from simkit.commands.main import main
from simkit.commands.new_card import write_file, write_package
from simkit.machinefile import catalogue


def run(*arguments):
    """Exit code of a command."""
    with pytest.raises(SystemExit) as left:
        main(arguments)
    return left.value.code


def test_every_installed_card_is_listed_with_settings_registers_and_sources(capsys):
    assert run("cards", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert {card["kind"] for card in told["cards"]} == set(catalogue.entries())
    assert told["failed"] == []
    for card in told["cards"]:
        assert card["is"], card["kind"]
        assert all(setting["help"] for setting in card["settings"]), card["kind"]
    serial = next(card for card in told["cards"] if card["kind"] == "serial-6551")
    assert serial["sources"][0].startswith("[SY] Synertek")
    assert [register["name"] for register in serial["registers"]][:2] == ["data", "status"]


def test_one_card_is_printed_for_people(capsys):
    assert run("cards", "bank-latch") == 0
    out = capsys.readouterr().out
    assert out.startswith("bank-latch  Bank latch card")
    assert 'part = "74HC574" (one of 74HC573, 74HC574, 74HC273)' in out
    assert "0 w  bank (7 Q7, 6 Q6, 5 Q5, 4 Q4, 3 Q3, 2 Q2, 1 Q1, 0 Q0)" in out
    assert "function tables (from memory)" in out


def test_what_accesses_of_a_register_do_is_printed_and_given_as_data(capsys):
    assert run("cards", "serial-6551") == 0
    lines = [line.strip() for line in capsys.readouterr().out.splitlines()]
    at = next(number for number, line in enumerate(lines) if "0 rw data" in line)
    assert lines[at + 1] == "a read clears RDRF"
    assert lines[at + 2].startswith("a write clears TDRE")
    assert run("cards", "tile-video", "--json") == 0
    ((video,), *_) = json.loads(capsys.readouterr().out).values()
    data, status, _ = video["registers"]
    assert data["writes_wait"] is True
    assert data["write_effect"].startswith("goes to memory")
    assert (status["read_effect"][:6], status["write_effect"], status["writes_wait"]) == ("clears", "", False)


def test_a_register_table_that_cannot_be_is_told_by_the_contract_test_and_at_its_line(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    card, _ = write_file(tmp_path / "night-light")[0].files
    text = card.read_text()
    assert 'read_effect="clears DONE' in text
    card.write_text(text.replace('read_effect="clears DONE', 'write_effect="clears DONE'))
    assert run("cards", "--test", "file:night_light.py:NightLight") == 1
    told = capsys.readouterr().out
    assert "Register 'control' has write_effect" in told
    assert "cannot be written" in told
    (tmp_path / "machine.toml").write_text(
        f'base = "{bench_file()}"\n\n[[card]]\nslot = 6\nkind = "file:night_light.py:NightLight"\n'
        'select = "0111 1111 0100 000x"\n'
    )
    assert run("run", str(tmp_path), "--headless", "--for", "1000c") == 3
    told = capsys.readouterr().err
    assert "machine.toml:5: slot 6" in told
    assert "Register 'control' has write_effect" in told


def test_a_card_that_cannot_be_loaded_stands_in_the_list_with_the_reason(monkeypatch):
    broken = EntryPoint("broken", "no_such_module:Card", catalogue.GROUP)
    known = {**catalogue.entries(), "broken": (broken,)}
    monkeypatch.setattr(catalogue, "entries", lambda: known)
    described, failed = describe_all(None)
    assert len(described) == len(known) - 1
    (entry,) = failed
    assert entry["kind"] == "broken"
    assert "No module named 'no_such_module'" in entry["reason"]


def test_unknown_cards_are_answered_with_near_ones(capsys):
    assert run("cards", "serial-6550") == 2
    assert "'serial-6551'" in capsys.readouterr().err


def test_the_contract_test_of_an_installed_card(capsys):
    assert run("cards", "--test", "led-row") == 0
    told = capsys.readouterr().out
    assert re.fullmatch(
        r"led-row keeps the contract of a card, over 5 random scripts and \d+( \d{3})* comparisons\.\n", told
    )


@pytest.fixture
def spoiled(tmp_path, monkeypatch):
    """Writes the card of the template with something in it replaced; gives its kind."""
    monkeypatch.chdir(tmp_path)

    def spoil(old, new):
        _, _, kind = write_file(tmp_path / "night-light")
        source = (tmp_path / "night_light.py").read_text()
        assert old in source
        (tmp_path / "night_light.py").write_text(source.replace(old, new))
        return kind

    return spoil


def test_a_card_that_breaks_the_contract_gives_exit_code_1(spoiled, capsys):
    kind = spoiled("value = self.peek(offset, cycle)", "value = 7")
    assert run("cards", "--test", kind) == 1
    assert "peek said" in capsys.readouterr().out


def test_what_could_not_be_exercised_is_printed_and_gives_exit_code_0(spoiled, capsys, monkeypatch):
    kind = spoiled("listens=True, ", "")
    assert run("cards", "--test", kind) == 0
    told = capsys.readouterr().out
    assert told.startswith(f"{kind} keeps the contract of a card")
    assert told.endswith("Not exercised:\n  pin_changed (no pin listens)\n")
    monkeypatch.setattr("simkit.commands.cards.TEST_SEEDS", 2)
    assert run("cards", "--test", kind, "--json") == 0
    report = json.loads(capsys.readouterr().out)
    assert (report["kind"], report["problems"]) == (kind, [])
    assert report["not_exercised"] == ["pin_changed (no pin listens)"]
    assert report["promises"]["steady"] > 100


def test_a_new_card_beside_a_machine_works_in_it(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert run("new", "card", "bell") == 0
    told = capsys.readouterr().out
    assert 'kind = "file:bell.py:Bell"' in told
    (tmp_path / "machine.toml").write_text('base = "BASE"\n'.replace("BASE", bench_file()) + told.split("\n\n", 1)[1])
    from simkit import Machine

    machine = Machine.load(tmp_path / "machine.toml", settings={5: {}})
    machine.run(cycles=1000)
    assert machine.card(6).words() == ["at rest"]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "test_bell.py"], capture_output=True, text=True
    )
    assert "8 passed" in done.stdout, done.stdout


def bench_file():
    from simkit.machinefile.shipped import demo_folder

    return (demo_folder() / "bench" / "machine.toml").as_posix()


def test_a_package_has_entry_point_test_and_readme(tmp_path):
    written, snippet, kind = write_package(tmp_path / "slug-bell")
    assert sorted(path.name for path in written.files) == [
        "README.md",
        "pyproject.toml",
        "slug_bell.py",
        "test_slug_bell.py",
    ]
    assert 'slug-bell = "slug_bell:SlugBell"' in (tmp_path / "slug-bell" / "pyproject.toml").read_text()
    assert 'kind = "slug-bell"' in (tmp_path / "slug-bell" / "README.md").read_text()
    assert kind in snippet


@pytest.mark.parametrize("name", ["", "9lives", "a/..", "class", "naïve", "x" * 50, "semi;colon"])
def test_names_that_cannot_be_used_are_refused(name, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert run("new", "card", name) == 2
    assert capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_nothing_is_written_over(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "test_bell.py").write_text("mine")
    assert run("new", "card", "bell") == 2
    assert "exists already" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["test_bell.py"]


def test_the_written_card_keeps_the_contract(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    _, _, kind = write_file(tmp_path / "night-light")
    report = contract_report(kind)
    assert (report.problems, report.not_exercised) == ((), ())
    assert card_lines(describe_all(kind)[0][0])[0].startswith("file:night_light.py:NightLight  Night light card")


def test_a_package_does_not_take_the_name_of_a_card_there_is(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert run("new", "card", "sram", "--package") == 2
    assert "There is a card 'sram' already" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(("folder", "told"), [("slug-bell", "./slug-bell"), ("mine/slug-bell", "./mine/slug-bell")])
def test_pip_is_told_a_folder_and_never_a_bare_name(folder, told, tmp_path, monkeypatch, capsys):
    """A bare name would have pip fetch a stranger's package of that name (pip documentation, pip install)."""
    monkeypatch.chdir(tmp_path)
    assert run("new", "card", folder, "--package") == 0
    assert f"pip install {told}\n" in capsys.readouterr().out


def test_a_class_that_is_not_there_is_answered_with_the_cards_of_the_file(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    write_file(tmp_path / "bell")
    assert run("cards", "file:bell.py:Belll") == 2
    told = capsys.readouterr().err
    assert "Bell" in told
    assert "PinSpec" not in told


@pytest.mark.parametrize(
    ("entry_points", "metadata", "reason"),
    [
        (b"\xff\xfe[simkit.cards]\n", b"Name: foreign\n", "UnicodeDecodeError"),
        (b"[simkit.cards]\nbell\n", b"Name: foreign\n", "TypeError"),
        (b"[simkit.cards]\nmine = mine:Mine\n", b"\xff", None),
        (b"[simkit.cards]\nmine = mine:Mine\n", b"", None),
        (b"[other]\n\x00=\x00\n", b"Name: foreign\n", None),
    ],
)
def test_a_package_whose_texts_cannot_be_read_hides_no_other_card(
    entry_points, metadata, reason, tmp_path, monkeypatch, capsys
):
    package = tmp_path / "foreign-1.0.dist-info"
    package.mkdir()
    (package / "entry_points.txt").write_bytes(entry_points)
    (package / "METADATA").write_bytes(metadata)
    monkeypatch.syspath_prepend(str(tmp_path))
    assert run("cards", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert {"sram", "rom", "tile-video"} <= {card["kind"] for card in told["cards"]}
    failed = {entry["kind"]: entry["reason"] for entry in told["failed"]}
    if reason is not None:
        assert reason in failed[str(package)]
    assert run("run", "demo:bench", "--headless", "--for", "10c") == 0
    capsys.readouterr()


def test_a_card_that_is_named_and_cannot_be_loaded_gives_3(monkeypatch, capsys):
    broken = EntryPoint("broken", "no_such_module:Card", catalogue.GROUP)
    monkeypatch.setattr(catalogue, "entries", lambda: {"broken": [broken]})
    assert run("cards", "broken") == 3
    assert "No module named 'no_such_module'" in capsys.readouterr().err
