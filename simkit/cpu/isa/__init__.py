"""The instruction set as data and texts, and what is read off the texts: effects, bus cycles."""
