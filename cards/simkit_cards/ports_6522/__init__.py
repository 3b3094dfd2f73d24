"""Ports, timers and shift register of a 6522."""
