"""Where the CPU finds the addresses that it starts and is interrupted to."""

VECTORS = {"NMI": 0xFFFA, "RESET": 0xFFFC, "IRQ": 0xFFFE}
"""Address of the low byte by name, the high byte behind it; BRK takes that of IRQ.

Source: MOS Technology, MCS6500 Hardware Manual, January 1976: interrupt and reset vectors.
"""
