"""The committed ROM images are what their sources say."""

import importlib.util
import re
from pathlib import Path

import pytest

ROMS = Path(__file__).resolve().parents[2] / "roms"
SOURCES = sorted(ROMS.glob("*.asm"))


def _build():
    spec = importlib.util.spec_from_file_location("roms_build", ROMS / "build.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("source", SOURCES, ids=lambda path: path.stem)
def test_rom_is_rebuilt_byte_for_byte(source, tmp_path):
    """Image, label list and listing in the repository equal a fresh build; `python roms/build.py` renews them."""
    written = _build().assemble(source, tmp_path)
    assert set(written) == {"bin", "labels", "lst"}
    for path in written.values():
        committed = ROMS / path.name
        assert committed.read_bytes() == path.read_bytes(), f"{committed.name} is stale: run python roms/build.py"


@pytest.mark.parametrize("source", SOURCES, ids=lambda path: path.stem)
def test_label_list_is_sorted_and_plain(source):
    """Every line is `NAME = $1234`; addresses rise; no name stands twice."""
    lines = source.with_suffix(".labels").read_text(encoding="ascii").splitlines()
    parsed = [re.fullmatch(r"(\w+) = \$([0-9A-F]{4})", line) for line in lines]
    assert parsed
    assert all(parsed)
    addresses = [int(match[2], 16) for match in parsed]
    assert addresses == sorted(addresses)
    assert len({match[1] for match in parsed}) == len(parsed)


def test_there_are_roms():
    assert SOURCES, "no *.asm in roms/"


def test_numbers_stay_out_of_the_label_list_and_addresses_keep_their_spelling(tmp_path):
    source = tmp_path / "small.asm"
    source.write_text(
        ".alias Port $7F20 ; an address\n.alias MASK $80\n.alias TABLE 14*1024\n.data zp\n.org $0010\n.space Count 2\n"
        ".text\n.org $8000\nStart:  lda Port\n_inner: inc Count\n        bne _inner\n        and #MASK\n        rts\n"
    )
    written = _build().assemble(source, tmp_path)
    assert written["labels"].read_text() == "Count = $0010\nPort = $7F20\nStart = $8000\n"
    assert written["bin"].read_bytes() == bytes.fromhex("AD207F E610 D0FC 2980 60")
    rows = [line.split() for line in written["lst"].read_text().splitlines()]
    assert rows[0][:4] == ["$8000", "AD", "20", "7F"]
    assert rows[0][4] == "small.asm:9"
    assert rows[2][:4] == ["$8005", "D0", "FC", "small.asm:11"]


def test_an_error_in_a_source_writes_nothing(tmp_path, capsys):
    source = tmp_path / "broken.asm"
    source.write_text(".org $8000\n lda nowhere\n")
    with pytest.raises(SystemExit, match="not assembled"):
        _build().assemble(source, tmp_path)
    assert "broken.asm:2" in capsys.readouterr().err
    assert not list(tmp_path.glob("*.bin"))
