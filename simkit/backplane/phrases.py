"""What people say otherwise, in the words of `simkit.backplane.sentences`: "A0 and A1 swapped", "no pull-up on IRQ"."""

from __future__ import annotations

import re

_BOTH = re.compile(
    r"(?:the )?(?P<kind>address |data )?(?:(?P<at>pin|line)s? )?(?P<one>\w+)(?: and |, ?| ?/ ?)"
    r"(?:(?:address|data) )?(?:(?:pin|line) )?(?P<other>\w+) (?:are )?(?:(?P<crossed>exchanged|swapped|crossed|"
    r"interchanged)|shorted|bridged)(?: together| with each other)?",
    re.IGNORECASE,
)
_UNGATED = r"(?:(?:not|un) ?(?:gated|qualified) (?:with|by)|without)"
_WIRE = r"(?:trace|track|wire|connection|jumper)"
_OFF = r"(?:broken|cut|missing|(?:un|not )soldered|bent(?: up| out| under)?|lifted)"
_PIN_BEHIND = re.compile(
    r"(?:the )?(?!(?:address|data|control|supply|the|pin|line|chip) )(\w+) (pin|line) (?!and\b)(.+)",
    re.IGNORECASE | re.DOTALL,
)
"""The kind of a thing behind its name, "D7 pin bent"."""
_OTHERWISE = tuple(
    (re.compile(said, re.IGNORECASE), plain)
    for said, plain in (
        (r"no (?:pull-?up|resistor) (?:on|at) (?:the )?(?:line )?(\w+)", r"\1 not pulled"),
        (r"(\w+) (?:pull-?up|resistor) (?:is )?(?:missing|not fitted|left out)", r"\1 not pulled"),
        (r"(?:is )?(always|never) selected", r"selected by \1"),
        (r"(?:is )?not selected", r"selected by never"),
        (r"(?:the )?data bus (?:is )?reversed", r"data lines reversed"),
        (
            r"((?:pin|line)s? )?([AD])(\d+) ?(?:to|through|-|\.\.+) ?\2?(\d+) (?:are |is )?reversed",
            r"\1\2\3 to \2\4 reversed",
        ),
        (r"(?:pins? )?RS(\d) ?(?:to|through|-|\.\.+) ?(?:RS)?(\d) (?:are )?reversed", r"pins A\1 to A\2 reversed"),
        (r"(?:chip )?(?:select|enable) (?:is )?inverted", r"pin CE inverted"),
        (r"output enable (?:is )?inverted", r"pin OE inverted"),
        (r"write enable (?:is )?inverted", r"pin WE inverted"),
        (r"chip (?:select|enable) ((?:is )?(?:stuck |held |tied )?(?:low|high)|open)", r"pin CE \1"),
        (
            r"(?:the )?output enable (?:exchanged|swapped|crossed) with (?:the )?write enable",
            r"pin OE exchanged with WE",
        ),
        (
            r"(?:output|read) and write (?:enable|strobe)s? (?:are )?(?:exchanged|swapped|crossed)",
            r"pin OE exchanged with WE",
        ),
        # PHI1 is the complement of PHI2 (MCS6500 Hardware Manual, MOS Technology, January 1976, clock)
        (
            r"PHI2 (?:is )?(?:(?:joined |connected |tied |wired )?to|on|=|(?:exchanged|swapped|crossed) with) PHI1",
            "PHI2 inverted",
        ),
        (r"ground ((?:is )?(?:open|not \w+|missing))", r"GND \1"),
        (rf"(?:write )?(?:enable|strobe) (?:is )?{_UNGATED} (?:the )?PHI2", "write enable not RW"),
        (rf"(?:output|read) (?:enable|strobe) (?:is )?{_UNGATED} (?:the )?PHI2", "output enable RW"),
        (rf"(?:output|read) (?:enable|strobe) (?:is )?{_UNGATED} (?:the )?RW", "output enable PHI2"),
        (
            r"(?:(?:solder )?bridge|(?:a )?short) (?:between|from) (?:the )?(\w+) (?:and|to) (?:the )?(\w+)",
            r"\1 shorted to \2",
        ),
        (r"(\w+) (?:touches|touching|is touching) (?:the )?(\w+)", r"\1 shorted to \2"),
        (rf"(?:broken|cut|missing|no) {_WIRE} (?:on|at|to|of|for|in) (?:the )?(\w+)", r"\1 open"),
        (r"(?:cold|dry|bad) (?:solder )?joint (?:on|at|of) (?:the )?(\w+)", r"\1 open"),
        (rf"((?:(?:pin|line) )?\w+) (?:{_WIRE} )?(?:is )?{_OFF}", r"\1 open"),
    )
)
_RW = re.compile(r"(?<!\w)R/[/~]?WB?(?!\w)", re.IGNORECASE)
_BAR = re.compile(r"(?<![\w)/~])[/~]+(?=[A-Za-z])")


def in_plain_words(text: str) -> str:
    """A sentence without its place, in the words of the grammar where it says one of these things otherwise.

    The bar over the name of a pin, written /OE or ~OE, says what the part does with it; the wire is the same.
    """
    text = _BAR.sub("", _RW.sub("RW", text))
    behind = _PIN_BEHIND.fullmatch(text)
    if behind is not None:
        text = f"{behind[2]} {behind[1]} {behind[3]}"
    both = _BOTH.fullmatch(text)
    if both is not None:
        kind, at = both["kind"] or "", f"{both['at']} " if both["at"] else ""
        done = "exchanged with" if both["crossed"] else "shorted to"
        return f"{kind}{at}{both['one']} {done} {kind if both['other'].isdigit() else ''}{both['other']}"
    for said, plain in _OTHERWISE:
        match = said.fullmatch(text)
        if match is not None:
            return match.expand(plain)
    return text
