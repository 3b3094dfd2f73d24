"""Places: the nearest label with the distance, source line, address, in one form for everybody."""

from pathlib import Path

from simkit import Machine
from simkit.rom.labels import Labels
from simkit.rom.listing import Listing, Row
from simkit.rom.places import FURTHEST_FROM_LABEL, Place, Places

ROWS = [
    Row(0x8000, 2, b"\xa2\xff", "nowhere/main.asm", 12, "start: ldx #$FF ; stack", True),
    Row(0x8002, 1, b"\x9a", "nowhere/main.asm", 13, "txs", True),
]


def test_a_place_is_named_after_the_nearest_label_before_it_up_to_a_page_away():
    places = Places(Labels({"start": 0x8000, "main": 0x8010}))
    assert places.at(0x8000).name == "start"
    assert places.at(0x800F).name == "start+15"
    assert places.at(0x8010 + FURTHEST_FROM_LABEL).name == "main+255"
    assert places.at(0x8010 + FURTHEST_FROM_LABEL + 1).name is None
    assert places.at(0x7FFF).words() == "$7FFF"


def test_labels_that_come_later_count():
    labels = Labels({"start": 0x8000})
    places = Places(labels)
    assert places.at(0x8005).name == "start+5"
    labels.add("near", 0x8004)
    assert places.at(0x8005).words() == "$8005 (near+1)"


def test_a_place_has_source_file_and_line_where_memory_holds_what_the_listing_says():
    places = Places(Labels({"start": 0x8000}), Listing(ROWS), lambda row: row.address == 0x8000)
    assert places.at(0x8001) == Place(0x8001, "start", 1, "nowhere/main.asm", 12, "start: ldx #$FF")
    assert places.at(0x8001).words() == "$8001 (start+1, nowhere/main.asm:12)"
    assert places.at(0x8002).source_line is None
    assert Places(Labels(), Listing(ROWS)).at(0x8002).words() == "$8002 (nowhere/main.asm:13)"


def test_files_below_the_working_folder_are_named_from_there(monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    row = Row(0x8000, 1, b"\xea", str(tmp_path / "src" / "a.asm"), 3, "nop", True)
    assert Places(Labels(), Listing([row])).at(0x8000).file == str(Path("src/a.asm"))


def test_a_machine_has_places_and_leaves_rows_of_another_program_out():
    m = Machine.load("demo:bench")
    reset = m.vectors()["RESET"]
    place = m.place(reset + 1)
    assert (place.name, Path(place.file).name) == (f"{m.labels.name_at(reset)}+1", "bench.asm")
    m.poke(place.address, m.peek(place.address) ^ 0xFF)
    assert m.place(place.address).file is None
