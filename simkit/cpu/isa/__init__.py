"""The instruction set as data and texts: opcodes, operations, cycle tables, effects."""
