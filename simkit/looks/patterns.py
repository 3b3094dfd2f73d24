"""Patterns of areas, so that they are told apart without colour: tiles of 6 x 6 dots that go on over their edges."""

from __future__ import annotations

TILE = 6

Pattern = tuple[str, ...]
"""Rows of a tile from the top; # is a dot of the pattern."""

PLAIN: Pattern = ("......",) * TILE
LINES_ACROSS: Pattern = ("......", "......", "######", "......", "......", "......")
LINES_DOWN: Pattern = ("..#...",) * TILE
DOTS: Pattern = ("......", "......", "..##..", "..##..", "......", "......")
RISING: Pattern = (".....#", "....#.", "...#..", "..#...", ".#....", "#.....")
FALLING: Pattern = ("#.....", ".#....", "..#...", "...#..", "....#.", ".....#")
CROSSES: Pattern = ("......", ".#.#..", "..#...", ".#.#..", "......", "......")

ALL = (PLAIN, LINES_ACROSS, LINES_DOWN, DOTS, RISING, FALLING, CROSSES)
"""Every pattern; each two differ however they are laid over each other."""
