"""Test ROMs for one card: the program, its source, and what it should show."""
