"""The CPU: exact engines over py65, the recogniser of interrupts, the translated engine."""
