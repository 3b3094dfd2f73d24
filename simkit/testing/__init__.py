"""Tests of ROMs and cards: the pytest plug-in, golden pictures, coverage, the bench of a card."""
