"""Fuse maps written for tests: rows by the columns that are connected, and the file around the fuses."""

SIZES = {"16V8": (2194, 32, 64), "20V8": (2706, 40, 64), "22V10": (5892, 44, 132)}
QP = {"16V8": 20, "20V8": 24, "22V10": 24}


def field_c(fuses):
    """Checksum of fuses, added up bit by bit."""
    return sum(bit << n % 8 for n, bit in enumerate(fuses)) & 0xFFFF


def jedec(fuses, *, pins=None, line_end="\n", more="", checksum=None, default=0, width=32):
    """A file with all fuses in lines of `width`, those of the default left out."""
    lines = ["a design", "*", *([f"QP{pins}*"] if pins else []), f"QF{len(fuses)}*", f"F{default}*"]
    for start in range(0, len(fuses), width):
        piece = fuses[start : start + width]
        if any(bit != default for bit in piece):
            lines.append(f"L{start:04d} {''.join(map(str, piece))}*")
    lines.append(f"C{field_c(fuses) if checksum is None else checksum:04X}*{more}")
    sent = ("\x02" + line_end.join(lines) + line_end + "\x03").encode("ascii")
    return sent + f"{sum(sent) & 0xFFFF:04X}".encode()


def design(kind, lists):
    """Fuses of a worked design: lists of (first fuse, bits), all others 0; the row enables of 16V8 and 20V8 are 1."""
    count, columns, rows = SIZES[kind]
    fuses = [0] * count
    if kind != "22V10":
        fuses[rows * columns + 80 : rows * columns + 144] = [1] * 64
    for first, bits in lists:
        fuses[first : first + len(bits)] = [int(bit) for bit in bits]
    return bytes(fuses)


def random_fuses(kind, rng):
    """Fuses of a device with any content, rows so that they are true now and then."""
    count, columns, rows = SIZES[kind]
    array = bytearray()
    for _ in range(rows):
        density = rng.choice((0.0, 0.02, 0.06, 0.1, 0.1, 1.0))
        array += bytes(int(rng.random() >= density) for _ in range(columns))
    fuses = array + bytes(rng.getrandbits(1) for _ in range(count - len(array)))
    if kind != "22V10":
        base = rows * columns
        fuses[base + 80 : base + 144] = bytes(int(rng.random() < 0.9) for _ in range(64))
        fuses[base + 144 :] = bytes(rng.choice(((1, 0), (1, 1), (0, 1))))
    return bytes(fuses)
