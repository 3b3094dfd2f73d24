"""What data sheets of byte-wide memories call their pins (62256, AT28C256 and 39SF010A, pin descriptions)."""

MEMORY_PINS = {
    "CS": "CE",
    **{"CS1": "CE", "CE1": "CE", "CS2": "CE2", "E1": "CE", "E2": "CE2"},
    "E": "CE",
    "G": "OE",
    "W": "WE",
    **{f"{word}{n}": f"D{n}" for word in ("IO", "DQ", "Q") for n in range(8)},
}
"""By the name in the sheet, the name in wiring; the strobes are low when true."""

_JEDEC = (
    *("A12", "A7", "A6", "A5", "A4", "A3", "A2", "A1", "A0", "D0", "D1", "D2", "VSS"),
    *("D3", "D4", "D5", "D6", "D7", "CE", "A10", "OE", "A11", "A9", "A8"),
)
"""Contacts 2 to 25 of the 28-pin package of byte-wide memories, alike in all of them (JEDEC, from memory)."""


def contacts(first: str, on_26: str, on_27: str) -> dict[int, str]:
    """Contacts of such a package by number: 1, 26 and 27 are where parts differ; "" for one that is not joined."""
    found = {1: first, **dict(enumerate(_JEDEC, start=2)), 26: on_26, 27: on_27, 28: "VCC"}
    return {number: name for number, name in found.items() if name}
