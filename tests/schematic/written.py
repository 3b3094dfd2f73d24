"""Netlists as schematic editors export them, written for tests and for the demo."""

from __future__ import annotations

import random

LOGIC = {
    "74HC00": 14, "74HC04": 14, "74HC30": 14, "74HC32": 14, "74HC08": 14, "74HC05": 14, "74LS05": 14, "74HC74": 14,
    "74HC138": 16, "74HC139": 16, "74HC161": 16, "74HC595": 16, "74HC154": 24,
    "74HC245": 20, "74HC541": 20, "74HC540": 20, "74HC688": 20, "74HC273": 20, "74HC574": 20, "74HC573": 20,
}  # fmt: skip
"""Pins of the package, by value."""
POWER = {14: ("7", "14"), 16: ("8", "16"), 20: ("10", "20"), 24: ("12", "24")}


class Sheet:
    """A schematic: parts with nets at their pins.

    Attributes:
        parts: by reference, value, symbol and nets by pin number.
        names: names of pins by symbol, by number.
    """

    def __init__(self):
        self.parts = {}
        self.names = {}

    def logic(self, ref, value, **nets):
        """A logic part: its pins as p1="A0"; its supply is joined by itself."""
        pins = {number[1:]: net for number, net in nets.items()}
        ground, supply = POWER[LOGIC[value]]
        return self.part(ref, value, value, {**pins, ground: "GND", supply: "+5V"}, {})

    def part(self, ref, value, symbol, nets, names):
        """Any part; `names` are those of the symbol's pins."""
        self.parts[ref] = value, symbol, dict(nets)
        self.names.setdefault(symbol, {}).update(names)
        return self

    def chip(self, ref, value, names, nets):
        """A chip: names of its pins by number, and nets by these names."""
        return self.part(ref, value, value, {n: nets[name] for n, name in names.items() if name in nets}, names)

    def edit(self, ref, pin, net):
        """Join a pin to another net."""
        self.parts[ref][2][str(pin)] = net
        return self

    def text(self, version="E", rng=None, power_symbols=True):
        """As an editor writes it; with `rng` in another order each time."""
        quote = (lambda text: f'"{_escaped(text)}"') if version == "E" else _bare
        nets = {}
        parts = list(self.parts.items())
        if rng is not None:
            rng.shuffle(parts)
        for ref, (_, symbol, pins) in parts:
            for number, net in pins.items():
                nets.setdefault(net, []).append((ref, number, self.names.get(symbol, {}).get(number, "")))
        lines = [
            f"(export (version {quote(version)})",
            f"  (design (source {quote('C:' + chr(92) + 'cards' + chr(92) + 'card.sch')})",
            f"    (date {quote('2026-05-01')}) (tool {quote('an editor')})",
            f"    (sheet (number {quote('1')}) (name {quote('/')}) (tstamps {quote('/')}) (title_block (title))))",
            "  (components",
        ]
        for number, (ref, (value, symbol, _)) in enumerate(parts):
            lines += [
                f"    (comp (ref {quote(ref)})",
                f"      (value {quote(value or '~')}) (fields (field (name {quote('Footprint')})))",
                f"      (libsource (lib {quote('parts')}) (part {quote(symbol)}) (description {quote('')}))",
                f"      (property (name {quote('Sheetname')}) (value {quote('')}))",
                f"      (sheetpath (names {quote('/')}) (tstamps {quote('/')})) (tstamps {quote(f'{number:08x}')}))",
            ]
        lines[-1] += ")"
        lines.append("  (libparts")
        for symbol in dict.fromkeys(symbol for _, symbol, _ in self.parts.values()):
            pins = dict.fromkeys(n for _, other, own in self.parts.values() if other == symbol for n in own)
            lines.append(f"    (libpart (lib {quote('parts')}) (part {quote(symbol)}) (pins")
            for number in pins:
                name = self.names.get(symbol, {}).get(number, "") or "~"
                lines.append(f"      (pin (num {quote(number)}) (name {quote(name)}) (type {quote('passive')}))")
            lines[-1] += "))"
        lines[-1] += ")"
        lines.append("  (libraries)")
        lines.append("  (nets")
        found = list(nets.items())
        if rng is not None:
            rng.shuffle(found)
        for code, (net, nodes) in enumerate(found, start=1):
            lines.append(f"    (net (code {quote(str(code))}) (name {quote(net)}) (class {quote('Default')})")
            if rng is not None:
                rng.shuffle(nodes)
            for ref, number, name in nodes:
                function = f" (pinfunction {quote(f'{name}_{number}' if number != '3' else name)})" if name else ""
                node = f"(node (ref {quote(ref)}) (pin {quote(number)}){function} (pintype {quote('passive')}))"
                lines.append(f"      {node}")
            lines[-1] += ")"
        lines[-1] += "))"
        return "\n".join(lines) + "\n"


def _escaped(text):
    return text.replace("\\", "\\\\").replace('"', '\\"')


def _bare(text):
    """As version D wrote them: quoted where it must be."""
    if text and not set(text) & set(' ()"\\'):
        return text
    return f'"{_escaped(text)}"'


def renamed(sheet, rng):
    """The same schematic with other references."""
    fresh = Sheet()
    fresh.names = sheet.names
    names = list(sheet.parts)
    numbers = rng.sample(range(100, 999), len(names))
    for ref, number in zip(names, numbers, strict=True):
        value, symbol, nets = sheet.parts[ref]
        fresh.parts[f"{ref.rstrip('0123456789')}{number}"] = value, symbol, dict(nets)
    return fresh


def seeded(number):
    """A source of chance."""
    return random.Random(number)
