"""A second evaluator of the three devices, for one level at each pin at a time, written from their description.

[GAL] C. Habermann, GAL descriptions `gal16_20v8.html`, `gal22v10.html` (1991 to 1996). It shares nothing with the
kit's: the tables are written out, each row is looked at fuse by fuse. What is from data sheets alone is from memory.
"""

FEEDS = {
    ("16V8", "simple"): "2:0 1:2 3:4 19:6 4:8 18:10 5:12 17:14 6:16 14:18 7:20 13:22 8:24 12:26 9:28 11:30",
    ("16V8", "complex"): "2:0 1:2 3:4 18:6 4:8 17:10 5:12 16:14 6:16 15:18 7:20 14:22 8:24 13:26 9:28 11:30",
    ("16V8", "registered"): "2:0 19:2 3:4 18:6 4:8 17:10 5:12 16:14 6:16 15:18 7:20 14:22 8:24 13:26 9:28 12:30",
    ("20V8", "simple"): "2:0 1:2 3:4 23:6 4:8 22:10 5:12 21:14 6:16 20:18 7:20 17:22 8:24 16:26 9:28 15:30 10:32 "
    "14:34 11:36 13:38",
    ("20V8", "complex"): "2:0 1:2 3:4 23:6 4:8 21:10 5:12 20:14 6:16 19:18 7:20 18:22 8:24 17:26 9:28 16:30 10:32 "
    "14:34 11:36 13:38",
    ("20V8", "registered"): "2:0 23:2 3:4 22:6 4:8 21:10 5:12 20:14 6:16 19:18 7:20 18:22 8:24 17:26 9:28 16:30 "
    "10:32 15:34 11:36 14:38",
    ("22V10", ""): "1:0 23:2 2:4 22:6 3:8 21:10 4:12 20:14 5:16 19:18 6:20 18:22 7:24 17:26 8:28 16:30 9:32 15:34 "
    "10:36 14:38 11:40 13:42",
}
"""Pin and the column of its level; the next column has the inverse."""
SIZES = {"16V8": (2194, 32), "20V8": (2706, 40), "22V10": (5892, 44)}
MODES = {(1, 0): "simple", (1, 1): "complex", (0, 1): "registered"}
ENABLE_ROWS = {23: 1, 22: 10, 21: 21, 20: 34, 19: 49, 18: 66, 17: 83, 16: 98, 15: 111, 14: 122}
ROWS = {23: 9, 22: 11, 21: 13, 20: 15, 19: 17, 18: 17, 17: 15, 16: 13, 15: 11, 14: 9}
NONE = "nobody"


class Part:
    """One device with its fuses; `outside` has the level at each pin that is driven from outside, `q` the registers."""

    def __init__(self, kind, fuses):
        self.kind, self.fuses = kind, fuses
        self.columns = SIZES[kind][1]
        array = 64 * self.columns
        self.mode = "" if kind == "22V10" else MODES[fuses[array + 144], fuses[array + 145]]
        self.pin_of = {int(c): int(p) for p, c in (item.split(":") for item in FEEDS[kind, self.mode].split())}
        self.cells = list(range(23, 13, -1)) if kind == "22V10" else list(range(19, 11, -1))
        if kind == "20V8":
            self.cells = list(range(22, 14, -1))
        self.input_only = {pin for pin in self.cells if self.mode == "simple" and self.kind_bit(pin) == 1}
        self.registered = {pin for pin in self.cells if self.mode in ("registered", "") and self.kind_bit(pin) == 0}

    def number(self, pin):
        return self.cells.index(pin)

    def kind_bit(self, pin):
        k = self.number(pin)
        return self.fuses[5809 + 2 * k] if self.kind == "22V10" else self.fuses[64 * self.columns + 72 + k]

    def polarity(self, pin):
        k = self.number(pin)
        return self.fuses[5808 + 2 * k] if self.kind == "22V10" else self.fuses[64 * self.columns + k]

    def row(self, row, levels, q):
        if self.kind != "22V10" and self.fuses[64 * self.columns + 80 + row] == 0:
            return 0
        for column in range(self.columns):
            if self.fuses[row * self.columns + column] == 0:
                pin = self.pin_of[column - column % 2]
                seen = 1 - q[pin] if pin in self.registered else levels[pin]
                if (seen if column % 2 == 0 else 1 - seen) == 0:
                    return 0
        return 1

    def rows(self, pin):
        if self.kind == "22V10":
            return list(range(ENABLE_ROWS[pin], ENABLE_ROWS[pin] + ROWS[pin]))
        return list(range(8 * self.number(pin), 8 * self.number(pin) + 8))

    def total(self, pin, levels, q):
        has_enable = self.kind == "22V10" or self.mode == "complex"
        has_enable = has_enable or (self.mode == "registered" and pin not in self.registered)
        return int(any(self.row(row, levels, q) for row in self.rows(pin)[1 if has_enable else 0 :]))

    def output(self, pin, levels, q):
        """What the macrocell puts on its pin: 0, 1 or NONE."""
        if pin in self.input_only:
            return NONE
        if self.mode == "registered" and pin in self.registered:
            if levels[11 if self.kind == "16V8" else 13] == 1:
                return NONE
        elif self.mode != "simple" and not self.row(self.rows(pin)[0], levels, q):
            return NONE
        if pin in self.registered:
            if self.kind == "22V10":
                return q[pin] if self.polarity(pin) else 1 - q[pin]
            return 1 - q[pin]
        total = self.total(pin, levels, q)
        return total if self.polarity(pin) else 1 - total

    def reset(self, levels, q):
        clear = self.kind == "22V10" and self.row(0, levels, q)
        return {pin: 0 if clear else bit for pin, bit in q.items()}

    def clock(self, levels, q):
        q = self.reset(levels, q)
        taken = {}
        for pin in q:
            total = self.total(pin, levels, q)
            # the pin of a 16V8 or 20V8 after the clock is the total, or its inverse; its flip-flop the pin's inverse
            taken[pin] = total if self.kind == "22V10" else 1 - (total if self.polarity(pin) else 1 - total)
            if self.kind == "22V10" and self.row(131, levels, q):
                taken[pin] = 1
        return self.reset(levels, taken)

    def rest(self, outside, q, start):
        """Levels at the pins and the registers when nothing moves any more, or None for the levels."""
        supply = (10, 20) if self.kind == "16V8" else (12, 24)
        pins = [pin for pin in range(1, max(supply) + 1) if pin not in supply]
        levels = {pin: outside.get(pin, 1) for pin in pins}
        levels |= {pin: start for pin in self.cells if pin not in self.input_only}
        q = dict(q)
        for _ in range(24):
            moved = False
            for pin in self.cells:
                own = self.output(pin, levels, self.reset(levels, q))
                level = outside.get(pin, 1) if own == NONE else own
                moved |= level != levels[pin]
                levels[pin] = level
            if not moved:
                after = self.reset(levels, q)
                if after == q:
                    return levels, q
                q = after
        return None, q
