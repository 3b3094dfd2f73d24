"""How a program left its code: what was on the bus up to there, and where the address came from to which it went."""
