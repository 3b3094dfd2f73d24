"""Keyboard controller with ring buffer and status latch."""
