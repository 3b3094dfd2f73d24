"""The reference engine over py65: every bus cycle in order, at its own time."""
