"""The state of a 9918A-family chip in words: registers decoded, tables, sprites. For people who look inside."""

from __future__ import annotations

from simkit_cards.tile_video.colours import COLOUR_NAMES
from simkit_cards.tile_video.sprites import END_OF_LIST, SPRITES, left_edge
from simkit_cards.tile_video.tables import ACTIVE_LINES, R0_EV, R1, USED_BITS, Mode, Tables, areas, decode


def _colour(number: int) -> str:
    return f"{number} {COLOUR_NAMES[number]}"


def register_words(registers: bytes | bytearray, set_once: int = 0xFF) -> list[str]:
    """One line a register: its byte and what it means under the mode set; `set_once` bit n: it was ever written."""
    tables = decode(registers)
    r0, r1, _, r3, r4 = registers[:5]
    mode = tables.mode
    off = "not used in this mode"
    if mode is Mode.GRAPHICS_2:
        colour = f"colours at ${tables.colour:04X}, offset mask ${tables.colour_mask:04X}"
        if r3 & 0x7F != 0x7F:
            colour += ": bits of the mask are clear, thirds or names share colours"
    else:
        colour = f"colours at ${tables.colour:04X}" if mode is Mode.GRAPHICS_1 else f"colours: {off}"
    pattern = f"patterns at ${tables.pattern:04X}" if mode < Mode.STRIPES else f"patterns: {off}"
    if mode & 1 and mode < Mode.STRIPES:
        pattern += f", offset mask ${tables.pattern_mask:04X}"
        if r4 & 3 != 3:
            pattern += ": thirds share patterns"
    size = "16 x 16" if tables.large else "8 x 8"
    sprites = f"sprites {size}{', dots doubled' if tables.doubled else ''}" if mode.has_sprites else "no sprites"
    meanings = [
        f"{mode.words}{', external video on' if r0 & R0_EV else ''}",
        f"{'16K' if tables.k16 else '4K'} addressing, display {'on' if tables.on else 'BLANKED'}, "
        f"interrupt {'enabled' if r1 & R1.IE else 'disabled'}, {sprites}",
        f"names at ${tables.name:04X}" if mode < Mode.STRIPES else f"names: {off}",
        colour,
        pattern,
        f"sprite attributes at ${tables.sprites:04X}" if mode.has_sprites else f"sprite attributes: {off}",
        f"sprite patterns at ${tables.sprite_patterns:04X}" if mode.has_sprites else f"sprite patterns: {off}",
        f"text {_colour(tables.text_colour)}, backdrop {_colour(tables.backdrop)}"
        if mode >= Mode.TEXT
        else f"backdrop {_colour(tables.backdrop)}",
    ]
    lines = []
    for number, (byte, meaning) in enumerate(zip(registers, meanings, strict=True)):
        unused = byte & ~USED_BITS[number] & 0xFF
        note = f"; bits ${unused:02X} do nothing" if unused else ""
        note += "" if set_once >> number & 1 else "; NEVER WRITTEN"
        lines.append(f"register {number} = ${byte:02X}  {meaning}{note}")
    if mode >= Mode.TEXT and tables.on and (tables.text_colour or tables.backdrop) == tables.backdrop:
        lines.append("text and backdrop have the same colour: nothing can be read")
    return lines


def screen_text(memory: bytes | bytearray, tables: Tables, offset: int) -> str:
    """Name table as characters, lines joined by newlines, blank ones above and below left out.

    Empty when the display is off and in modes whose names are no characters. Patterns lie at their ASCII codes by
    common practice; `offset` is added to a name to get its code.
    """
    mode = tables.mode
    if not tables.on or mode in (Mode.MULTICOLOR, Mode.MULTICOLOR_THIRDS) or mode >= Mode.STRIPES:
        return ""
    codes = [name + offset & 0xFF for name in memory[tables.name : tables.name + tables.name_bytes]]
    text = "".join([chr(code) if 32 <= code < 127 else " " for code in codes])
    columns = tables.columns
    return "\n".join([text[start : start + columns].rstrip() for start in range(0, len(text), columns)]).strip("\n")


def memory_words(tables: Tables) -> list[str]:
    """Tables in use by address, and which of them share bytes."""
    found = sorted(areas(tables), key=lambda area: area.start)
    lines = [f"${area.start:04X}-${area.end - 1:04X}  {area.what}" for area in found]
    for number, area in enumerate(found):
        for other in found[number + 1 :]:
            start, end = max(area.start, other.start), min(area.end, other.end)
            if start < end:
                lines.append(f"${start:04X}-${end - 1:04X}  shared by {area.what} and {other.what}")
    return lines


def sprites_behind_the_end(attributes: bytes | bytearray, end: int, height: int) -> list[int]:
    """Sprites after entry `end` that would show without its Y = $D0; untouched entries (all zeros) left out."""
    entries = {number: attributes[number * 4 : number * 4 + 4] for number in range(end + 1, SPRITES)}
    return [
        number
        for number, entry in entries.items()
        if any(entry) and entry[0] != END_OF_LIST and (entry[0] < ACTIVE_LINES - 1 or entry[0] + height > 255)
    ]


def inside_words(memory: bytes | bytearray, registers: bytes | bytearray, set_once: int) -> list[str]:
    """Registers, tables and sprites without what is only chance: what the program never set, and idle sprites.

    Args:
        memory: as the chip addresses it.
        registers: the eight.
        set_once: bit n: register n was ever written.
    """
    if not set_once:
        return ["no register was written since power-on: what registers and memory hold is chance"]
    tables = decode(registers)
    lines = register_words(registers, set_once)
    if set_once & _MODE != _MODE:
        return lines  # where tables lie is chance
    lines += memory_words(tables)
    if not tables.on or not tables.mode.has_sprites or set_once & _SPRITES != _SPRITES:
        return lines
    return lines + sprite_words(memory, tables, idle=False)


_MODE, _SPRITES = 0b0000_0011, 0b0110_0000
"""Registers that say the mode, and where the sprites' tables are."""


def sprite_words(memory: bytes | bytearray, tables: Tables, *, idle: bool = True) -> list[str]:
    """One line a sprite, with the true line of its top; memory as the chip addresses it. Empty when sprites are off.

    Args:
        memory: as the chip addresses it.
        tables: where the sprites are.
        idle: tell each sprite that shows nothing, too; else only which they are.
    """
    if not tables.mode.has_sprites:
        return []
    attributes = memory[tables.sprites : tables.sprites + 128]
    lines: list[str] = []
    resting: list[int] = []
    for number in range(SPRITES):
        y, _, name, tag = attributes[number * 4 : number * 4 + 4]
        if y == END_OF_LIST:
            lines.append(f"sprite {number}: Y = $D0 ends the list; {SPRITES - number - 1} entries after it unused")
            behind = sprites_behind_the_end(attributes, number, tables.sprite_lines)
            if behind:
                lines.append(f"hidden by that, though their Y lies in the picture: {', '.join(map(str, behind))}")
            break
        top = y + 1 if y < 0xE0 else y - 255
        is_below = ACTIVE_LINES <= top <= 224
        if not idle and (is_below or top + tables.sprite_lines <= 0 or not tag & 15 or _is_empty(memory, tables, name)):
            resting.append(number)
            continue
        early = ", early clock" if tag & 0x80 else ""
        hidden = ", below the picture" if is_below else ""
        lines.append(
            f"sprite {number}: top line {top}, left dot {left_edge(attributes, number)}{early}, name ${name:02X}, "
            f"colour {_colour(tag & 15)}{hidden}"
        )
    if resting:
        lines.append(
            f"show nothing (colour 0, no dot in the pattern, outside of the picture): sprites {_runs(resting)}"
        )
    return lines


def _is_empty(memory: bytes | bytearray, tables: Tables, name: int) -> bool:
    """Whether a sprite's pattern has no dot."""
    start = tables.sprite_patterns + (name & (0xFC if tables.large else 0xFF)) * 8
    return not any(memory[start : start + (32 if tables.large else 8)])


def _runs(numbers: list[int]) -> str:
    """Rising numbers, runs of them joined: "0, 4 to 31"."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and runs[-1][1] == number - 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(f"{first} to {last}" if last > first else str(first) for first, last in runs)
