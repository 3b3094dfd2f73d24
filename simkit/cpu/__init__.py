"""The CPU: the instruction set, the reference engine over py65, the recogniser of interrupts, the core."""
