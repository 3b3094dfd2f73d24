"""The netlist of a schematic as editors export it: (export (version "E") ... (components ...) (nets ...)).

Form: the S-expression netlist, versions D and E, of an open schematic editor; what it holds is from its documentation
and its exporter's source (from memory). What is not known is skipped: newer files add to it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import cached_property
from pathlib import Path

import attrs

from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_text
from simkit.schematic.tree import Node, read_tree

MAX_BYTES = 16 << 20
_VERSIONS = ("D", "E")
_AGAIN = "Export the netlist anew from the schematic."
_SIGNS = {"slash": "/", "space": " ", "backslash": "\\", "colon": ":", "dblquote": '"', "quote": "'", "brace": "{"}
"""Signs that would break a name's path, as they are written in braces."""


@attrs.frozen
class Component:
    """A part on the schematic.

    Attributes:
        ref: its reference, "U1".
        value: what is written beside it, "74HC138".
        part: name of its symbol.
        line: in the file.
        pin_names: names of its symbol's pins by number; "" for a pin without.
    """

    ref: str
    value: str
    part: str
    line: int
    pin_names: Mapping[str, str]


@attrs.frozen
class Net:
    """Pins that are joined.

    Attributes:
        name: as in the file.
        pins: (reference, pin number) of each.
        line: in the file.
    """

    name: str
    pins: tuple[tuple[str, str], ...]
    line: int


@attrs.frozen
class Netlist:
    """What is on the schematic and how it is joined.

    Attributes:
        file: where it was read from.
        components: by reference, those that are not fitted aside.
        nets: by name.
    """

    file: str
    components: Mapping[str, Component]
    nets: Mapping[str, Net]

    @cached_property
    def net_of(self) -> Mapping[tuple[str, str], str]:
        """Name of the net at each (reference, pin number)."""
        return {pin: net.name for net in self.nets.values() for pin in net.pins}

    def pins_of(self, ref: str) -> dict[str, str]:
        """Nets of a part by pin number."""
        return self._by_part.get(ref, {})

    def pin(self, ref: str, number: str) -> str:
        """A pin for people: "U3.12", or "U3.A0 (pin 12)"."""
        component = self.components.get(ref)
        name = component.pin_names.get(number, "") if component is not None else ""
        return f"{ref}.{name} (pin {number})" if name and name != number else f"{ref}.{number}"

    def at(self, net: str) -> str:
        """A net for people, with some of the pins at it."""
        found = self.nets.get(net)
        if found is None:
            return f"net {net!r}"
        shown = [self.pin(*pin) for pin in found.pins[:4]]
        more = len(found.pins) - len(shown)
        return f"net {net!r} ({', '.join(shown)}{f' and {more} more' if more else ''})"

    @cached_property
    def _by_part(self) -> Mapping[str, dict[str, str]]:
        found: dict[str, dict[str, str]] = {}
        for (ref, number), net in self.net_of.items():
            found.setdefault(ref, {})[number] = net
        return found


def plain_name(text: str) -> str:
    """A name of a net or pin without its path, overbar and braces: "/cpu/~{IRQ}" and "IRQ" are the same."""
    last = text.rpartition("/")[2]
    last = re.sub(r"~\{([^{}]*)\}", r"\1", last)
    last = re.sub(r"\{(\w+)\}", lambda match: _SIGNS.get(match[1], match[0]), last)
    return last.replace("~", "").strip()


def is_named(net: str) -> bool:
    """Whether somebody gave a net its name; editors call others after a pin, "Net-(U1-Pad3)"."""
    return re.match(r"(Net|unconnected)-\(", net.rpartition("/")[2]) is None


def number_of(pin: str) -> int | None:
    """Number of a pin, as those of packages in rows are; None of others, "A5"."""
    return int(pin) if pin.isascii() and pin.isdigit() and len(pin) < 4 else None


def load_netlist(path: Path) -> Netlist:
    """Read a netlist.

    Raises:
        FileNotFoundError: there is no such file.
        SimkitError: it is no netlist, or says what cannot be; with the line.
    """
    return read_netlist(read_text(path, MAX_BYTES, "netlist", longest_line=None), str(path))


def read_netlist(text: str, file: str) -> Netlist:
    """A netlist from its text.

    Raises:
        SimkitError: it is no netlist, or says what cannot be; with the line.
    """
    return _Reader(file).read(read_tree(text, file))


class _Reader:
    def __init__(self, file: str) -> None:
        self._file = file

    def _fail(self, message: str, node: Node, remedy: str = _AGAIN) -> SimkitError:
        return SimkitError(message, file=self._file, line=node.line, remedy=remedy)

    def read(self, tree: Node) -> Netlist:
        if tree.name != "export":
            raise self._fail(
                f"The file is no netlist: it begins with {tree.name[:40]!r}, not with 'export'.",
                tree,
                "Export the netlist from the schematic editor, as S-expressions; a board or schematic file is none.",
            )
        version = tree.text_of("version")
        if version not in _VERSIONS:
            raise self._fail(
                f"Version {version[:40]!r} of the netlist is not known; D and E are.", tree.first("version") or tree
            )
        parts = self._section(tree, "components")
        nets = self._section(tree, "nets")
        libparts = tree.first("libparts")
        symbols = dict(self._symbols(libparts)) if libparts is not None else {}
        absent: set[str] = set()
        components = self._components(parts, symbols, absent)
        found = self._nets(nets, components, absent)
        self._names_from_nodes(nets, components)
        return Netlist(self._file, components, found)

    def _section(self, tree: Node, name: str) -> Node:
        found = tree.first(name)
        if found is None:
            raise self._fail(f"The netlist has no list {name!r}.", tree)
        return found

    def _text(self, node: Node, name: str) -> str:
        found = node.text_of(name)
        if not found:
            raise self._fail(f"A {node.name!r} has no {name!r}.", node)
        return found

    def _symbols(self, libparts: Node) -> Iterator[tuple[tuple[str, str], dict[str, str]]]:
        for one in libparts.lists("libpart"):
            pins = one.first("pins")
            names = {}
            for pin in pins.lists("pin") if pins is not None else ():
                names[self._text(pin, "num")] = _pin_name(pin.text_of("name"))
            yield (one.text_of("lib"), one.text_of("part")), names

    def _components(
        self, node: Node, symbols: Mapping[tuple[str, str], dict[str, str]], absent: set[str]
    ) -> dict[str, Component]:
        found: dict[str, Component] = {}
        for comp in node.lists("comp"):
            ref = self._text(comp, "ref")
            if ref in found or ref in absent:
                where = f", in line {found[ref].line} too" if ref in found else ""
                raise self._fail(f"Two parts are called {ref!r}{where}.", comp, "Annotate the schematic, export anew.")
            if any(one.text_of("name") == "dnp" for one in comp.lists("property")):
                absent.add(ref)
                continue
            source = comp.first("libsource")
            key = (source.text_of("lib"), source.text_of("part")) if source is not None else ("", "")
            value = comp.text_of("value")
            names = dict(symbols.get(key, {}))
            found[ref] = Component(ref, "" if value == "~" else value, key[1], comp.line, names)
        return found

    def _nets(self, node: Node, components: Mapping[str, Component], absent: set[str]) -> dict[str, Net]:
        found: dict[str, Net] = {}
        seen: dict[tuple[str, str], int] = {}
        for net in node.lists("net"):
            name = net.text_of("name") or f"net {net.text_of('code')}"
            if name in found:
                raise self._fail(f"Two nets are called {name!r}, in line {found[name].line} too.", net)
            pins = []
            for one in net.lists("node"):
                pin = self._text(one, "ref"), self._text(one, "pin")
                if pin[0].startswith("#") or pin[0] in absent:
                    continue
                if pin[0] not in components:
                    raise self._fail(f"{pin[0]!r} is joined to net {name!r}, and no part is called so.", one)
                if pin in seen:
                    raise self._fail(f"Pin {pin[1]} of {pin[0]} is at two nets, in line {seen[pin]} too.", one)
                seen[pin] = one.line
                pins.append(pin)
            found[name] = Net(name, tuple(pins), net.line)
        return found

    def _names_from_nodes(self, node: Node, components: Mapping[str, Component]) -> None:
        """Names of pins as they stand beside the nets, of parts without a symbol in the file."""
        for net in node.lists("net"):
            for one in net.lists("node"):
                component = components.get(one.text_of("ref"))
                function, number = one.text_of("pinfunction"), one.text_of("pin")
                if component is None or not function or component.pin_names.get(number):
                    continue
                assert isinstance(component.pin_names, dict)
                component.pin_names[number] = _pin_name(function.removesuffix(f"_{number}"))


def _pin_name(text: str) -> str:
    """Name of a pin as a data sheet prints it; "" for the sign that stands for none."""
    return "" if text == "~" else re.sub(r"~\{([^{}]*)\}", r"\1", text).replace("~", "").replace("{slash}", "/")
