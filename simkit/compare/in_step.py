"""Where in a capture the CPU begins to be in step: at RESET, or where so many rows fit, whatever the registers."""

from __future__ import annotations

import numpy as np

from simkit.backplane.cycle import Kind
from simkit.compare.followed import Read
from simkit.compare.heard import SEVERAL, Heard
from simkit.compare.led_cpu import IRQ_VECTOR, NMI_VECTOR, RESET_CYCLES, RESET_VECTOR, State
from simkit.compare.rows import DOUBTFUL, SYNC_BIT, WRITE_BIT
from simkit.compare.shown import subsets
from simkit.compare.track import Track
from simkit.compare.worlds import ALL

SEARCH = 600
"""Rows from one place that are tried before it is said that nothing is to be followed there. Ours."""
PROOF = 48
"""Rows that must fit for the CPU to be in step. Ours."""
MISREAD_ROWS = 2
"""Of these, rows in which one line may have been misread. Ours."""
MOST_NEARLY = 16
"""States that are tried whether they lead to one with which all rows fit. Ours."""
PUSHED = 3
"""Cycles before the vector in which an interrupt writes, and RESET reads."""
WRONG_LINES = 2
"""Address lines that may be at fault where RESET is told by its vector. Ours."""

TRIED = 120
"""Rows at which it is tried to begin on lines that are wrong. Ours."""
STILL = 0.03
"""Share of the rows in which a line that stands still, or is like another one, is misread. Ours."""
WRONG_ROWS = 3
"""Rows that must show that they are wrong. Ours."""

VECTORS = (IRQ_VECTOR, NMI_VECTOR)


class Beginnings:
    """Finds where the CPU is in step, and puts it there."""

    def __init__(self, track: Track, heard: Heard) -> None:
        self._track = track
        self._cpu, self._rows, self._ways, self._cells = track.cpu, track.rows, track.ways, track.cells
        self._heard = heard

    def find(self, row: int) -> int | None:
        """Find the next place at which the CPU is in step, in SEARCH rows, and put it there; its row, or None."""
        end = min(row + SEARCH, len(self._rows))
        begun = self._find(row, end)
        for at in range(row, end if begun is None else begun + 1):
            self._look_at_start(at)
        return begun

    def _find(self, row: int, end: int) -> int | None:
        almost: State | None = None
        nearly: list[State] = []
        for at in range(row, end):
            vector = self._reset_at(at)
            if vector is not None:
                self._begin_with_reset(at, vector)
                return at
            shown = self._may_begin(at)
            if shown is None:
                continue
            state, cost = self._best_of(self._alternatives(shown))
            if cost == (0, 0):
                return self._begin_at(next((each for each in nearly if self._leads_to(each, state)), state))
            if cost[0] <= cost[1] <= MISREAD_ROWS and len(nearly) < MOST_NEARLY:
                nearly.append(state)
            if cost[0] == 1 and cost[1] <= MISREAD_ROWS and almost is None:
                almost = state
        if almost is None and not self._track.parts:
            almost = self._on_wrong_lines(row)
        return None if almost is None else self._begin_at(almost)

    def _alternatives(self, state: State) -> list[State]:
        """States that begin where one does, with each PC that the wiring of the machine puts so on the lines."""
        rows, row, pc = self._rows, state[0], state[1]
        sync = SYNC_BIT if rows.has_sync else 0
        others = (pc | bits for bits in subsets(0xFFFF & ~rows.masks[row]))
        return [(row, other, *state[2:]) for other in others if not rows.apart(row, other | sync)] or [state]

    def _best_of(self, states: list[State]) -> tuple[State, tuple[int, int]]:
        """The state of some from which most rows fit, and what it costs; of equals the next behind the last known."""
        rows, row = self._rows, states[0][0]
        end, most = min(row + PROOF, len(rows)), PROOF // 4 if self._ways.tolerated else MISREAD_ROWS
        cost = [self._ways.ahead(state, ALL, end, most=most) for state in states]
        if len(states) == 1 or cost.count(min(cost)) == 1:
            best = min(range(len(states)), key=cost.__getitem__)
            return states[best], cost[best]
        last, end = self._track.starts[-1][1] if self._track.starts else 0, min(row + SEARCH, len(rows))
        equal = [state for state, each in zip(states, cost, strict=True) if each == min(cost)]
        apart = [self._ways.ahead(state, ALL, end, most=PROOF) for state in equal]
        found = min(zip(apart, equal, strict=True), key=lambda each: (*each[0][::-1], each[1][1] - last & 0xFFFF))
        return found[1], min(cost)

    def _on_wrong_lines(self, row: int) -> State | None:
        """A state with which all fits but for an address line that stands still, or two that are alike: they are wrong.

        What they should be in the captured address nobody knows: each way is tried.
        """
        rows, ways, before = self._rows, self._ways, self._ways.tolerated
        end = min(row + SEARCH, len(rows))
        begins = [at for at in range(row, min(row + TRIED, end)) if rows.seen[at] != DOUBTFUL]
        for lines in self._alike(row, end):
            ways.tolerated = before | lines
            for at in begins:
                shown = self._may_begin(at, lines)
                if shown is None:
                    continue
                states = [(at, shown[1] & ~lines | on, *shown[2:]) for on in subsets(lines)]
                fits = [state for state in states if self._fits_but_for(state, lines)]
                if fits:  # which of them it is shows where the program goes on to another page
                    end = min(at + SEARCH, len(rows))
                    return min(fits, key=lambda state: ways.ahead(state, ALL, end, most=SEARCH)[::-1])
        ways.tolerated = before
        return None

    def _fits_but_for(self, state: State, lines: int) -> bool:
        """Whether the rows from a state on fit but for some lines, which are wrong in several of them."""
        rows, at = self._rows, state[0]
        cost = self._ways.ahead(state, ALL, min(at + PROOF, len(rows)), most=PROOF // 2)
        wrong = sum(rows.apart(row, word) & lines != 0 for row, word, _ in self._cpu.odd)
        return cost[1] <= 1 and wrong >= WRONG_ROWS

    def _alike(self, row: int, end: int) -> list[int]:
        """Address lines of some rows that stand still, each by itself, and pairs that are alike."""
        words = np.array([word for word in self._rows.seen[row:end] if word != DOUBTFUL], np.int64)
        if len(words) < PROOF:
            return []
        columns = [(words >> bit & 1) != 0 for bit in range(16)]
        still = [bit for bit in range(16) if not STILL < columns[bit].mean() < 1 - STILL]
        pairs = [
            1 << bit | 1 << other
            for bit in range(16)
            for other in range(bit + 1, 16)
            if bit not in still and other not in still and (columns[bit] != columns[other]).mean() <= STILL
        ]
        return [*(1 << bit for bit in still), *pairs]

    def _leads_to(self, almost: State, state: State) -> bool:
        """Whether the CPU comes from one state to another."""
        cpu, (row, pc) = self._cpu, state[:2]
        self._ways.ahead(almost, ALL, row)
        return (cpu.at, cpu.pc) == (row, pc)

    def _reset_at(self, row: int) -> int | None:
        """RESET's vector, where it is fetched from a row on, on address lines of which two may be at fault; or None.

        Where it is not that to the letter, RESET's three reads of the stack before it, downwards, must say so: nothing
        else makes them. One misread line is passed over then, and one of the vector's bytes.
        """
        rows = self._rows
        if row + 2 >= len(rows):
            return None
        low, high = self._byte(row, RESET_VECTOR), self._byte(row + 1, RESET_VECTOR + 1)
        if low is None or high is None:
            return None
        vector = low | high << 8
        differs = [self._differs(row + at, RESET_VECTOR + at, SYNC_BIT) for at in (0, 1)]
        if not any(differs) and DOUBTFUL not in rows.seen[row : row + 3] and not self._goes_elsewhere(row, vector):
            return vector
        before = range(max(0, row - PUSHED), row)
        if row < PUSHED or any(rows.words[at] & WRITE_BIT or not rows.masks[at] for at in before):
            return None  # an interrupt, which pushes where RESET reads the stack; missing rows say neither
        if ((differs[0] | differs[1]) & 0xFFFF).bit_count() > WRONG_LINES:
            return None
        for taken in (vector, *(vector ^ 1 << bit for bit in range(16))):
            if self._is_reset([*differs, self._goes_elsewhere(row, taken)], row):
                return taken
        return None

    def _look_at_start(self, row: int) -> None:
        """Note it where RESET's vector is fetched from a row on, for certain, and the CPU begins somewhere else."""
        rows, start = self._rows, row + PUSHED - 1
        if row < PUSHED or start + 1 >= len(rows) or self._track.start is not None or self._heard.may_be_missing(row):
            return
        low, high, went = rows.data[row], rows.data[row + 1], rows.seen[start]
        sequence = [0x100 | rows.words[row - PUSHED] - at & 0xFF for at in range(PUSHED)]
        if rows.seen[row - PUSHED : start] != [*sequence, RESET_VECTOR, RESET_VECTOR + 1] or min(low, high, went) < 0:
            return
        word = (low | high << 8) | (SYNC_BIT if rows.has_sync else 0)
        held = [self._cells.expected(RESET_VECTOR + at) for at in (0, 1)]
        if None in held:  # of each byte a line may be misread
            leads = ((word ^ went) & 0xFFFF).bit_count() < SEVERAL
        else:  # it is that or the ROM's
            leads = (went & 0xFF) in (low, held[0]) and (went >> 8 & 0xFF) in (high, held[1])
        behind = rows.seen[start + 1] & ~SYNC_BIT  # of a NOP of one byte the next one begins there
        follows = behind == (went & 0xFFFF) + 1  # it is no row that was misread
        if follows and not leads and not rows.lost[start]:
            self._heard.note_start(start, word)

    def _goes_elsewhere(self, row: int, vector: int) -> int:
        """Lines in which the CPU does not begin at a vector that is fetched from a row on."""
        start = self._track.start if self._track.start is not None else vector
        return self._differs(row + 2, start | (SYNC_BIT if self._rows.has_sync else 0), SYNC_BIT)

    def _is_reset(self, differs: list[int], row: int) -> bool:
        """Whether it is RESET by its stack, with lines that are wrong in the vector's cycles and the one behind."""
        rows, wrong = self._rows, differs[0] | differs[1] | differs[2]
        if wrong & WRITE_BIT or (wrong & 0xFFFF).bit_count() > WRONG_LINES:
            return False
        firsts = {rows.words[row - PUSHED + at] + at & 0xFF for at in range(PUSHED)}  # one of them may be misread
        stack = min(
            self._stack_differs(row, first & ~(wrong & 0xFF) | on, wrong)
            for first in firsts
            for on in subsets(wrong & 0xFF)
        )
        return sum(each >> 17 for each in differs) + stack <= 1

    def _byte(self, row: int, address: int) -> int | None:
        """Of a vector, with bits as the card has them where the capture does not show them; None: nobody knows."""
        rows = self._rows
        known, card = rows.known[row], self._cells.expected(address)
        if known == 0xFF:
            return rows.bytes[row]
        return None if card is None else rows.bytes[row] & known | card & ~known & 0xFF

    def _differs(self, row: int, word: int, sync: int) -> int:
        rows = self._rows
        return (rows.words[row] ^ word) & rows.masks[row] & (0xFFFF | WRITE_BIT | sync)

    def _stack_differs(self, row: int, first: int, wrong: int) -> int:
        """Lines in which the reads before the vector are not of the stack, downwards, but for those that are wrong."""
        return sum(
            (self._differs(row - PUSHED + at, 0x100 | first - at & 0xFF, 0) & ~wrong).bit_count()
            for at in range(PUSHED)
        )

    def _begin_with_reset(self, row: int, vector: int) -> None:
        """The sequence ends with the vector, which is at the row; its bytes may have been misread."""
        cpu, rows = self._cpu, self._rows
        before = rows.words[row - 1] if row else DOUBTFUL
        unknown = ALL - {"i"} - ({"d"} if cpu.cmos else frozenset())
        cpu.load((row, 0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 4, 0))
        if row and before & 0x1FF00 == 0x100:
            cpu.sp = before - 1 & 0xFF
            unknown -= {"sp"} if rows.masks[row - 1] & 0xFF == 0xFF else frozenset()
        cpu.instead = {row: vector & 0xFF, row + 1: vector >> 8}
        cpu.fetch_vector(RESET_VECTOR, Kind.RESET)
        cpu.instead = {}
        if self._track.start is not None:
            cpu.pc = self._track.start
        self._track.unknown = unknown
        self._heard.note_odd((row, cpu.pc))
        if self._track.fed.since is None and not self._track.parts:
            self._track.fed.power_on(row - (RESET_CYCLES - 2))
            self._track.note_decoding(row)
        self._track.pending.clear()
        self._heard.check(row, row + 2, cpu.pc)
        self._prove_vector(row, RESET_VECTOR)

    def _prove_vector(self, row: int, vector: int) -> None:
        """Where the CPU begins at the vector that was captured, and a ROM holds another, these bytes were read.

        And those that have several lines wrong, where it begins elsewhere than at the ROM's, whatever is wrong besides.
        """
        rows = self._rows
        low, high = self._cells.expected(vector), self._cells.expected(vector + 1)
        taken = rows.data[row : row + 2]
        if low is None or high is None or self._track.start is not None or min(taken) < 0:
            return
        own = [low, high]
        away = self._differs(row + 2, low | high << 8, 0).bit_count()
        least = SEVERAL if self._differs(row + 2, taken[0] | taken[1] << 8, 0) else 1
        if away < least:
            return
        for each in reversed(self._track.differences):
            if each.row < row:
                break
            if each.row < row + 2 and (own[each.row - row] ^ taken[each.row - row]).bit_count() >= least:
                each.read, each.proven = Read.CAPTURED, True

    def _may_begin(self, row: int, wrong: int = 0) -> State | None:
        """State with which an instruction could begin at a row, where some lines may be wrong; None where none does."""
        cpu, rows = self._cpu, self._rows
        if rows.seen[row] == DOUBTFUL or rows.seen[row] & WRITE_BIT or (rows.has_sync and not rows.words[row] >> 17):
            return None
        pc = rows.words[row] & 0xFFFF
        if row + PROOF // 2 > len(rows) or self._is_elsewhere(row + 1, pc, wrong):
            return None
        behind = rows.seen[row + 1] - 1
        apart = (behind ^ pc) & 0xFFFF
        if behind >= 0 and apart and not apart & apart - 1:  # one of the two is misread: the byte may tell which
            mine, theirs = (self._cells.expected(address & 0xFFFF) for address in (pc, behind))
            pc = behind & 0xFFFF if theirs == rows.data[row] and mine not in (None, theirs) else pc
        return (row, pc, cpu.a, cpu.x, cpu.y, cpu.sp, cpu.n, cpu.v, cpu.z, cpu.c, cpu.d, cpu.i, 0)

    def _is_elsewhere(self, row: int, pc: int, wrong: int) -> bool:
        """Whether a row does not follow an address, on lines of which some are wrong."""
        mask = self._rows.masks[row] & 0xFF & ~wrong
        return all((self._rows.words[row] ^ (pc & ~wrong | on) + 1) & mask for on in subsets(wrong))

    def _begin_at(self, state: State) -> int:
        """The CPU is in step from there on."""
        self._cpu.load(state)
        self._track.unknown = ALL
        self._track.pending.clear()
        self._track.before = None
        row, pc, rows = state[0], state[1], self._rows
        vector = rows.seen[row - 2] if row >= 2 else DOUBTFUL
        if vector not in VECTORS or rows.seen[row - 1] != vector + 1:
            return row
        if rows.data[row - 2] | rows.data[row - 1] << 8 != pc:
            return row
        self._cpu.should[row - 2 : row] = [vector, vector + 1]
        self._heard.check(row - 2, row, pc)
        self._prove_vector(row - 2, vector)
        return row - 2
