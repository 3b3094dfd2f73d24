"""What is kept of label lists and listings between two readings: nobody can tell but by the time it takes."""

import attrs
import pytest

from simkit.contract.errors import SimkitError
from simkit.rom import toolfile
from simkit.rom.labels import read_labels
from simkit.rom.listing import Row, read_rows


@pytest.fixture
def labels(tmp_path, monkeypatch):
    """A list of labels; what was kept before is out of reach."""
    monkeypatch.setattr(toolfile, "_KEPT", {})
    path = tmp_path / "game.labels"
    path.write_text("start = $8000\nloop = $8003\n")
    return path


def test_a_list_whose_bytes_are_the_same_is_read_once(labels, monkeypatch):
    first = read_labels(labels)
    monkeypatch.setattr(toolfile, "_read", None)
    first["another"] = 1
    assert read_labels(labels) == {"start": 0x8000, "loop": 0x8003}


def test_a_list_that_has_changed_within_a_second_is_read_again(labels):
    read_labels(labels)
    labels.write_text("start = $8001\nloop = $8003\n")
    assert read_labels(labels) == {"start": 0x8001, "loop": 0x8003}


def test_a_list_that_is_gone_or_damaged_is_told(labels):
    read_labels(labels)
    labels.write_bytes(b"\xff\x00\x01")
    with pytest.raises(SimkitError, match="UTF-8"):
        read_labels(labels)
    labels.unlink()
    with pytest.raises(SimkitError, match="There is no label list"):
        read_labels(labels)


def test_notes_and_labels_are_those_of_who_asked(labels):
    labels.write_text("start = $8000\nwhat is this\n")
    told = [[], []]
    for notes in told:
        read_labels(labels, notes)
        contents = toolfile.read_tool_file(labels, "label list")
        contents.unread.clear()
        contents.labels.append(("mine", 1))
    assert toolfile.read_tool_file(labels, "label list").labels == [("start", 0x8000)]
    assert told[0] == told[1]
    assert len(told[0]) == 1


def test_a_map_follows_the_source_that_spells_its_names(labels):
    source = labels.parent / "game.asm"
    labels.write_text("$8000 | start | game.asm:1\n")
    for name in ("Start", "START"):
        source.write_text(f"{name}: lda #$00\n")
        assert read_labels(labels) == {name: 0x8000}


def test_no_more_is_kept_than_is_allowed(labels, monkeypatch):
    monkeypatch.setattr(toolfile, "MOST_KEPT", 2)
    monkeypatch.setattr(toolfile, "MOST_KEPT_BYTES", 40)
    for name in ("a", "b", "c"):
        (labels.parent / name).write_text(f"{name} = $8000\n")
        read_labels(labels.parent / name)
    labels.write_text("start = $8000\n" * 3)
    read_labels(labels)
    assert [path.name for path, _ in toolfile._KEPT] == ["b", "c"]


def test_lines_of_a_listing_that_were_read_before_name_the_source_that_lies_beside_it_now(tmp_path):
    rows = "$8000  A2 FF        game.asm:1   ldx #$FF\n$8002  00 3 times   game.asm:2   .byte 0, 0, 0 ; $8002\n"
    found = []
    for folder, has_source in (("one", True), ("two", True), ("three", False)):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "game.lst").write_text(rows)
        if has_source:
            (tmp_path / folder / "game.asm").write_text(" ldx #$FF\n .byte 0, 0, 0\n")
        found.append(read_rows(tmp_path / folder / "game.lst"))
    assert [{row.file for row in its} for its in found] == [
        {str(tmp_path / "one" / "game.asm")},
        {str(tmp_path / "two" / "game.asm")},
        {"game.asm"},
    ]
    for its in found:
        assert [(row.address, row.length, row.data, row.line, row.code) for row in its] == [
            (0x8000, 2, b"\xa2\xff", 1, True),
            (0x8002, 3, b"\x00", 2, False),
        ]


def test_a_row_in_a_slot_is_the_same_row_but_for_that():
    values = {field.name: number for number, field in enumerate(attrs.fields(Row))}
    assert Row(**values).in_slot(77) == Row(**{**values, "slot": 77})
