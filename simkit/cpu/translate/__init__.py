"""The translated engine: 6502 code becomes Python functions that behave exactly like the exact engine.

memory_map  what lies where: pages of plain memory and the buffers behind them
costs       cycles of an instruction, and which flags and registers it uses and sets
region      which instructions a function will hold: from an entry on, through branches and calls
flow        blocks, loops, what is needed later, where the function must look at the clock
values      what the function knows without computing it: flags, cycles to add, the last byte on the bus
operand     how an instruction finds its byte
emit        what an instruction does, as Python text
structure   how Python's if, while, break and continue stand for branches
cache       functions by entry and memory map; checks that the bytes are still those translated
engine      when to run a function and when to leave an instruction to the exact engine

Each module imports only those above it. Text of the program or of a machine file never reaches generated source: it
holds integers and names from this package.
"""
