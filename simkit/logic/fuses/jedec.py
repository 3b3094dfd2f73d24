"""Fuse maps as assemblers for programmable logic write them: the JEDEC transfer file.

[J3A] JEDEC Standard No. 3-A, Standard Data Transfer Format Between Data Preparation System and Programmable Logic
Device Programmer, as a programmer maker's text file (`jedec2.txt`) gives it. Fields E and U are of its revision C, from
memory.

Between STX (02) and ETX (03) stand fields, each a letter, its content and an asterisk. Four digits behind ETX are the
sum of what was sent. A fuse that is 1 is open (no connection), one that is 0 is connected.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import attrs

from simkit.contract.errors import SimkitError
from simkit.files.bounded import read_bounded

MAX_BYTES = 1 << 20
"""A fuse map of the devices we know has some 8 KB; test vectors may make it ten times that."""
MAX_FUSES = 65_536
"""More than ten times those of the largest device that we know."""

_STX, _ETX = "\x02", "\x03"
_SENDER = "Have the assembler write the file anew, and copy it as it is."
_NOT_PRINTABLE = re.compile(r"[^ -~\t-\r]")
_VECTOR_CHARACTERS = frozenset("0123456789BCFHKLNPXZ")


@attrs.frozen
class Vector:
    """A test vector of the file: what stands at each pin, in the order of `FuseMap.pin_order`.

    0 and 1 are driven, C is a pulse 0-1-0 and K one 1-0-1 after all else is stable, F floats, L, H and Z are expected
    (low, high, nobody drives), X is not tested, N is supply or not tested, P and B load registers, 2 to 9 are higher
    voltages.
    """

    number: int
    characters: str
    line: int


@attrs.frozen
class FuseMap:
    """What a fuse map says.

    Attributes:
        file: name of the file, for messages.
        fuses: a byte for each fuse, 0 (connected) or 1 (open).
        checksum: of these fuses, as field C has it.
        pins: of the device, where the file says so (field QP), else None.
        secured: whether the programmer is to set the security fuse (field G).
        user_data: content of the fields E and U, by their letter.
        unknown_level: level for X in test vectors (field X), None where the file does not say.
        pin_order: pins of a test vector's characters, from the left (field P; else from 1 on).
        vectors: test vectors, by number.
        notes: what is odd and does no harm, as sentences.
        count_line, pins_line: lines of the fields QF and QP.
    """

    file: str
    fuses: bytes
    checksum: int
    pins: int | None = None
    secured: bool = False
    user_data: dict[str, str] = attrs.field(factory=dict)
    unknown_level: int | None = None
    pin_order: tuple[int, ...] = ()
    vectors: tuple[Vector, ...] = ()
    notes: tuple[str, ...] = ()
    count_line: int = 1
    pins_line: int = 1
    _given: tuple[tuple[int, int, int], ...] = ()

    def line_of(self, fuse: int) -> int:
        """Line of the file that gave a fuse its value; that of the number of fuses where only the default did."""
        for first, end, line in reversed(self._given):
            if first <= fuse < end:
                return line
        return self.count_line

    def error(self, message: str, line: int | None = None, remedy: str | None = None) -> SimkitError:
        """An error that stands in this file."""
        return SimkitError(message, file=self.file, line=line, remedy=remedy)


def checksum(fuses: bytes) -> int:
    """Fuse checksum: eight fuses to a byte, the first one lowest, all bytes added, 16 bits of the sum.

    The text of [J3A] says "modulo 65535"; the figures that it works out itself are those of 65,536, as all tools' are.
    """
    packed = int.from_bytes(bytes(sum(b << n for n, b in enumerate(fuses[i : i + 8])) for i in range(0, len(fuses), 8)))
    return sum(packed.to_bytes((len(fuses) + 7) // 8)) & 0xFFFF


def transmission_sum(sent: bytes) -> int:
    """Sum of what was sent, STX and ETX included, without the highest bit of each byte, 16 bits."""
    return sum(byte & 0x7F for byte in sent) & 0xFFFF


def load_fuse_map(path: Path, *, checksum_counts: bool = True) -> FuseMap:
    """A fuse map from its file; arguments and errors as `read_fuse_map`.

    Raises:
        FileError: the system does not let it be read.
        SimkitError: there is no such file, or something is wrong with it.
    """
    try:
        content = read_bounded(path, MAX_BYTES, "fuse map")
    except FileNotFoundError as error:
        remedy = "Have the assembler write it, or correct the path."
        raise SimkitError(f"There is no file {str(path)!r}.", remedy=remedy) from error
    return read_fuse_map(content, str(path), checksum_counts=checksum_counts)


def read_fuse_map(content: bytes, file: str, *, checksum_counts: bool = True) -> FuseMap:
    """What the content of a fuse map says.

    Args:
        content: of the file.
        file: its name, for messages.
        checksum_counts: whether a wrong fuse checksum is an error; else it is a note.

    Raises:
        ChecksumError: the fuses have another checksum.
        SimkitError: a field that cannot be read, fuses beyond their number or missing; with the line.
    """
    return _Reader(content.decode("latin-1"), file, checksum_counts).read()


class ChecksumError(SimkitError):
    """The fuses have another checksum than the file says."""


class _Reader:
    """Goes through the fields of one file."""

    def __init__(self, text: str, file: str, checksum_counts: bool) -> None:
        self._text = text
        self._file = file
        self._checksum_counts = checksum_counts
        self._notes: list[str] = []
        self._line = 1
        self._count: int | None = None
        self._count_line = 1
        self._fuses = bytearray()
        self._known = bytearray()
        self._given: list[tuple[int, int, int]] = []
        self._default: int | None = None
        self._sums: tuple[int, int] | None = None
        self._pins: int | None = None
        self._pins_line = 1
        self._secured = False
        self._user_data: dict[str, str] = {}
        self._most_vectors: int | None = None
        self._unknown_level: int | None = None
        self._order: tuple[int, ...] = ()
        self._vectors: dict[int, Vector] = {}

    def read(self) -> FuseMap:
        design, *fields = self._sent().split("*")
        if not fields:
            raise self._error("There is no field that an asterisk ends, so this is no fuse map.", "Name a JEDEC file.")
        self._note_what_is_not_ascii(design, "The design text")
        self._line += _line_ends(design)
        for field in fields:
            blank = len(field) - len(field.lstrip())
            self._line += _line_ends(field[:blank])
            if content := field[blank:].rstrip():
                self._field(content)
            self._line += _line_ends(field[blank:])
        return self._result()

    def _sent(self) -> str:
        """What stands between STX and ETX; without STX the whole file."""
        start = self._text.find(_STX)
        if start < 0:
            self._notes.append("There is no STX (02) in front of the fields; the whole file is read as fields.")
            return self._text.partition(_ETX)[0]
        end = self._text.find(_ETX, start)
        if end < 0:
            self._line = 1 + _line_ends(self._text)
            raise self._error("The file ends before ETX (03): it is cut short.", _SENDER)
        self._check_transmission(self._text[start : end + 1], self._text[end + 1 : end + 5])
        self._line = 1 + _line_ends(self._text[:start])
        return self._text[start + 1 : end]

    def _check_transmission(self, sent: str, digits: str) -> None:
        if not re.fullmatch("[0-9A-Fa-f]{4}", digits):
            self._notes.append(
                "Behind ETX (03) stands no sum of four hexadecimal digits; what was sent is not checked by it."
            )
            return
        found = transmission_sum(sent.encode("latin-1"))
        if (said := int(digits, 16)) not in (0, found):  # 0000 says that there is none
            self._notes.append(
                f"The sum of what was sent is {found:04X}, behind ETX (03) stands {said:04X}. An editor that saves the "
                "file with other line ends does that; the fuses have a checksum of their own."
            )

    def _field(self, content: str) -> None:
        letter, rest = content[0], content[1:]
        if letter == "N":
            self._note_what_is_not_ascii(rest, "A note")
            return
        if wrong := _NOT_PRINTABLE.search(content):
            raise self._error(
                f"The byte {ord(wrong[0]):02X} is not printable ASCII, as fields are.",
                _SENDER,
                at_line=self._line + _line_ends(content[: wrong.start()]),
            )
        if not ("A" <= letter <= "Z"):
            raise self._error(f"{letter!r} does not begin a field: fields begin with a capital letter.", _SENDER)
        reader = self._readers().get(letter)
        if reader is not None:
            reader(rest)

    def _readers(self) -> dict[str, Callable[[str], None]]:
        return {
            "Q": self._numbers,
            "F": self._default_state,
            "L": self._fuse_list,
            "K": self._fuse_digits,
            "C": self._checksum,
            "G": self._security,
            "E": lambda rest: self._user("E", rest),
            "U": lambda rest: self._user("U", rest),
            "X": self._unknown,
            "P": self._pin_order,
            "V": self._vector,
        }

    def _numbers(self, rest: str) -> None:
        match = re.fullmatch(r"([FPV])\s*([0-9]{1,9})", rest)
        if match is None:
            if rest[:1] in ("F", "P", "V"):
                raise self._error(f"Q{rest[0]} is not followed by a number.", _SENDER)
            return
        number = int(match[2])
        if match[1] == "P":
            self._pins, self._pins_line = number, self._line
        elif match[1] == "V":
            self._most_vectors = number
        else:
            self._count_fuses(number)

    def _count_fuses(self, number: int) -> None:
        if not 1 <= number <= MAX_FUSES:
            raise self._error(f"QF says {number} fuses; 1 to {MAX_FUSES} are read.", _SENDER)
        if self._count is not None and number != self._count:
            raise self._error(
                f"QF says {number} fuses, and in line {self._count_line} it says {self._count}.",
                "Only one device goes into a file.",
            )
        if self._count is None:
            self._count, self._count_line = number, self._line
            self._fuses, self._known = bytearray(number), bytearray(number)

    def _default_state(self, rest: str) -> None:
        """F before QF is out of order by [J3A], and what some assemblers write (from memory): nothing hangs on it."""
        state = self._state("F", rest)
        if self._default not in (None, state):
            raise self._error(f"F says {state}, and above it says {self._default}.", "Leave one of them in.")
        self._default = state

    def _fuse_list(self, rest: str) -> None:
        match = re.match(r"\s*([0-9]+)(?=\s|$)", rest)
        if match is None:
            raise self._error("L is not followed by the number of its first fuse and white space.", _SENDER)
        line = self._line + _line_ends(rest[: match.end()])
        first, at, count = self._first(match[1]), match.end(), self._counted("L")
        fuse = first
        for piece in re.finditer(r"[01]+|\s+|.", rest[at:]):
            text = piece[0]
            if text.isspace():
                line += _line_ends(text)
                continue
            if text[0] not in "01":
                raise self._error(f"{text!r} stands among the fuses of L; only 0 and 1 may.", _SENDER, at_line=line)
            if fuse + len(text) > count:
                raise self._beyond("L", max(fuse, count), count, line)
            self._give(fuse, bytes(map(int, text)), line)
            fuse += len(text)
        if fuse == first:
            raise self._error(f"L{match[1]} is followed by no fuse.", _SENDER)

    def _fuse_digits(self, rest: str) -> None:
        """As L in hexadecimal digits: some makers' dialect; [J3A] keeps the letter, so what looks otherwise is left."""
        match = re.fullmatch(r"\s*([0-9]+)\s+([0-9A-Fa-f][0-9A-Fa-f\s]*)", rest)
        if match is None:
            self._notes.append(
                f"The field K in line {self._line} holds no fuses in hexadecimal digits; it is left out."
            )
            return
        first, count = self._first(match[1]), self._counted("K")
        digits = re.sub(r"\s", "", match[2])
        bits = [int(digit, 16) >> n & 1 for digit in digits for n in (3, 2, 1, 0)]
        over = first + len(bits) - count
        if over > 0:
            if over > 3 or any(bits[-over:]):  # the last digit may be filled up with zeros
                raise self._beyond("K", max(first, count), count, self._line)
            del bits[-over:]
        self._give(first, bytes(bits), self._line)

    def _give(self, first: int, bits: bytes, line: int) -> None:
        end = first + len(bits)
        self._fuses[first:end] = bits
        self._known[first:end] = b"\1" * len(bits)
        self._given.append((first, end, line))

    def _first(self, digits: str) -> int:
        return min(int(digits.lstrip("0")[:9] or "0"), MAX_FUSES)  # no more digits than Python turns into a number

    def _counted(self, letter: str) -> int:
        if self._count is None:
            raise self._error(f"{letter} stands before QF, which says how many fuses there are.", _SENDER)
        return self._count

    def _beyond(self, letter: str, fuse: int, count: int, line: int) -> SimkitError:
        return self._error(
            f"{letter} gives fuse {fuse}; by QF in line {self._count_line} there are {count}, 0 to {count - 1}.",
            "The file is for another device, or was changed by hand.",
            at_line=line,
        )

    def _checksum(self, rest: str) -> None:
        if not re.fullmatch(r"\s*[0-9A-Fa-f]{4}", rest):
            raise self._error("C is not followed by four hexadecimal digits.", _SENDER)
        self._sums = (int(rest, 16), self._line)

    def _security(self, rest: str) -> None:
        self._secured = self._state("G", rest) == 1

    def _user(self, letter: str, rest: str) -> None:
        self._user_data[letter] = rest

    def _state(self, letter: str, rest: str) -> int:
        if rest.strip() not in ("0", "1"):
            raise self._error(f"{letter} is not followed by 0 or 1.", _SENDER)
        return int(rest)

    def _after_numbers(self, letter: str) -> int:
        if self._pins is None or self._most_vectors is None:
            raise self._error(
                f"{letter} stands before QP and QV, which say how long test vectors are and how many there may be.",
                _SENDER,
            )
        return self._pins

    def _unknown(self, rest: str) -> None:
        self._after_numbers("X")
        if self._vectors:
            raise self._error("X stands behind the first test vector.", _SENDER)
        self._unknown_level = self._state("X", rest)

    def _pin_order(self, rest: str) -> None:
        pins = self._after_numbers("P")
        if not re.fullmatch(r"(\s*[0-9]{1,4}(?=\s|$))*\s*", rest):
            raise self._error("P is not followed by numbers of pins.", _SENDER)
        order = tuple(map(int, rest.split()))
        if sorted(order) != list(range(1, pins + 1)):
            raise self._error(f"P does not name each of the {pins} pins once.", _SENDER)
        self._order = order

    def _vector(self, rest: str) -> None:
        pins = self._after_numbers("V")
        match = re.match(r"\s*([0-9]{1,9})(?=\s)", rest)
        if match is None:
            raise self._error("V is not followed by the number of the test vector and white space.", _SENDER)
        number, characters = int(match[1]), re.sub(r"\s", "", rest[match.end() :])
        if number > (self._most_vectors or 0):
            raise self._error(f"V{number} is beyond the {self._most_vectors} test vectors that QV says.", _SENDER)
        if len(characters) != pins:
            raise self._error(f"V{number} has {len(characters)} characters; by QP there are {pins} pins.", _SENDER)
        if wrong := set(characters) - _VECTOR_CHARACTERS:
            raise self._error(f"V{number} holds {min(wrong)!r}, which no test vector has.", _SENDER)
        self._vectors[number] = Vector(number, characters, self._line)

    def _result(self) -> FuseMap:
        if self._count is None:
            raise self._error(
                "There is no field QF, which says how many fuses there are: this is no fuse map.", _SENDER
            )
        self._fill()
        found = checksum(bytes(self._fuses))
        if self._sums is None:
            self._notes.append("There is no fuse checksum (field C).")
        elif self._sums[0] != found:
            self._wrong_checksum(*self._sums, found)
        return FuseMap(
            file=self._file,
            fuses=bytes(self._fuses),
            checksum=found,
            pins=self._pins,
            secured=self._secured,
            user_data=self._user_data,
            unknown_level=self._unknown_level,
            pin_order=self._order or tuple(range(1, (self._pins or 0) + 1)),
            vectors=tuple(self._vectors[number] for number in sorted(self._vectors)),
            notes=tuple(self._notes),
            count_line=self._count_line,
            pins_line=self._pins_line,
            given=tuple(self._given),
        )

    def _fill(self) -> None:
        gap = self._known.find(0)
        if gap < 0:
            return
        if self._default is None:
            missing = self._known.count(0)
            end = self._known.find(1, gap)
            raise self._error(
                f"{missing} of the {self._count} fuses are given by no field, the first ones are {gap} to "
                f"{(end if end > 0 else len(self._known)) - 1}; and no field F says what others are.",
                _SENDER,
                at_line=self._count_line,
            )
        if self._default:
            self._fuses[:] = bytes(b if known else 1 for b, known in zip(self._fuses, self._known, strict=True))

    def _wrong_checksum(self, said: int, line: int, found: int) -> None:
        message = f"The fuses have the checksum {found:04X}, the file says {said:04X}."
        if self._checksum_counts:
            message = f"{message} A fuse was changed, or is missing."
            raise ChecksumError(message, file=self._file, line=line, remedy=_SENDER)
        self._notes.append(f"Line {line}: {message}")

    def _note_what_is_not_ascii(self, text: str, what: str) -> None:
        if not text.isascii():
            self._notes.append(f"{what} in line {self._line} holds bytes that are not ASCII.")

    def _error(self, message: str, remedy: str, at_line: int | None = None) -> SimkitError:
        return SimkitError(message, file=self._file, line=at_line or self._line, remedy=remedy)


def _line_ends(text: str) -> int:
    """Line ends in a text, however lines are ended."""
    return text.count("\n") + text.count("\r") - text.count("\r\n")
