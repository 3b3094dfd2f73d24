"""The backplane: bus, seats of cards, decoding, and what is wrong before the first cycle."""
