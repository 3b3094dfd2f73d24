"""Machine files made up for tests of the map."""

from pathlib import Path

import simkit

CARDS = {
    "keyboard": "",
    "serial-pads": "",
    "ports-6522": "",
    "bank-latch": 'lines = { Q0 = "BANK0", Q1 = "BANK1" }\n',
}


def made(folder: Path, *cards: str, more: str = "", name: str = "machine.toml") -> simkit.Machine:
    """A machine of these tables of cards."""
    text = f'name = "Trial"\nclock = "1 MHz"\ncpu = "65C02"\n{more}\n' + "\n".join(f"[[card]]\n{one}" for one in cards)
    path = folder / name
    path.write_text(text)
    return simkit.Machine.load(path)
