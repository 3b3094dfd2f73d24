"""A second count of where the time goes, from what `simkit trace --json` prints, instruction by instruction.

It knows calls by the mnemonics alone, as a person with a trace and a pencil would: JSR and interrupts begin, RTS and
RTI end what was begun last, JMP to what JSR calls elsewhere goes on with that. So it is right only for programs that
leave the stack pointer alone; it shares nothing with `simkit.spent`.
"""

from collections import Counter, defaultdict
from statistics import median_low


class Counted:
    """What was counted; routines by address, handlers by (cause, address)."""

    def __init__(self, rows, end, called=()):
        self.own = Counter()  # by what was begun last
        self.cycles = Counter()
        self.calls = Counter()
        self.lengths = defaultdict(list)
        self.longest = Counter()
        self.lines = Counter()
        self.sequences = 0
        self.latency = {"IRQ": [], "NMI": []}
        self.again = self.merged = self.taken_over = 0
        self._begun = [["main", 0, 0, False]]  # what, cycles with all below, cycle in which it began
        self._waiting = {"IRQ": [], "NMI": []}
        steps = list(self._steps(rows, end))
        self._called = set(called)
        for number, step in enumerate(steps):
            self._step(step, steps[number + 1][1] if number + 1 < len(steps) else None)
        while len(self._begun) > 1:
            self._end(end, came_back=False)

    def _steps(self, rows, end):
        """Text, address, first cycle, length, vector and line moves of each instruction or sequence."""
        begun = []
        held = None
        for row in rows:
            if held is None:
                held = row["cycle"]
            if not row["repeat"]:
                if row["instruction"] or not begun:
                    begun.append([row["instruction"] or row["kind"], row["address"], held, None, []])
                held = None
            if row["address"] & 0xFFFE >= 0xFFFA and begun and row["kind"] != "fetch" and not row["write"]:
                begun[-1][3] = row["address"] & 0xFFFE
            for beside in row["beside"]:
                if beside["what"] == "line" and beside["words"][0] in self._waiting:
                    begun[-1][4].append((beside["cycle"], *beside["words"]))
        for number, (text, address, first, vector, moves) in enumerate(begun):
            last = begun[number + 1][2] if number + 1 < len(begun) else end
            yield text, address, first, last - first, vector, moves

    def _step(self, step, following):
        text, address, first, length, vector, moves = step
        name = text[:3]
        interrupt = "sequence" in text
        for cycle, line, level in moves:
            if not level:
                self._waiting[line].append(cycle)
        if name == "BRK" or interrupt:
            cause = {0xFFFA: "NMI", 0xFFFE: "IRQ" if interrupt else "BRK"}[vector]
            self.taken_over += name == "BRK" and cause == "NMI"
            if following is not None:  # else the run ends within the sequence
                self._served(cause, first, first + length)
                self._begin((cause, following), first)
        self._spend(length)
        if interrupt or text == "reset":
            self.sequences += length
        else:
            self.lines[address] += length
        if following is None:
            return
        if name == "JSR":
            self._called.add(following)
            self._begin(following, first + length)
        elif name == "JMP" and following in self._called and isinstance(self._begun[-1][0], int):
            self._jump(following, first + length)
        elif name in ("RTS", "RTI"):
            while self._begun[-1][3]:  # all that have jumped on come back with the last
                self._end(first + length, came_back=True)
            self._end(first + length, came_back=True)

    def _spend(self, length):
        what = self._begun[-1]
        what[1] += length
        self.own[what[0]] += length

    def _begin(self, what, cycle, jumped=False):
        self.calls[what] += 1
        self._begun.append([what, 0, cycle, jumped])

    def _jump(self, what, cycle):
        """A routine ends by a jump into another one, which may be one that has jumped here."""
        chain = [-1]
        while self._begun[chain[-1]][3]:
            chain.append(chain[-1] - 1)
        if what in [self._begun[one][0] for one in chain]:
            while self._begun[-1][0] != what:
                self._end(cycle, came_back=True)
        else:
            self._begin(what, cycle, jumped=True)

    def _end(self, cycle, came_back):
        what, cycles, begin, _ = self._begun.pop()
        if came_back:
            self.lengths[what].append(cycles)
            self.longest[what] = max(self.longest[what], cycle - begin)
        context = []
        for one in reversed(self._begun):
            context.append(one[0])
            if isinstance(one[0], tuple):
                break
        if isinstance(what, tuple) or what not in context:
            self.cycles[what] += cycles
        if not isinstance(what, tuple):
            self._begun[-1][1] += cycles

    def _served(self, cause, begin, first_fetch):
        if cause == "BRK":
            return
        last = begin + 5 if cause == "NMI" else begin
        mine = [cycle for cycle in self._waiting[cause] if cycle < last]
        self._waiting[cause] = [cycle for cycle in self._waiting[cause] if cycle >= last]
        if mine:
            self.merged += len(mine) - 1 if cause == "NMI" else 0
            self.latency[cause].append(first_fetch - (mine[0] if cause == "NMI" else mine[-1]))
        else:
            self.again += 1

    def of(self, what):
        """As the kit tells it: calls, own, with calls, least, median, worst, longest."""
        lengths = self.lengths[what] or [None]
        three = (min(lengths), median_low(lengths), max(lengths)) if lengths[0] is not None else (None, None, None)
        return self.calls[what], self.own[what], self.cycles[what], *three
