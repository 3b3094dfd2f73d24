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
