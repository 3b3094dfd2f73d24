"""Captures of a real bus: what an analyser wrote, and the bus cycles in it."""
