"""Captures for tests: a run that nobody knows, taken by an analyser that is none of the best."""

from simkit.measure.compares import ALL_LINES, SOUND_SEED, noise, observed, taken

MACHINES = ("demo:marlpit", "demo:monitor", "demo:keyboard-test", "demo:pad-test", "demo:video-test-card")

__all__ = ["ALL_LINES", "MACHINES", "SOUND_SEED", "noise", "observed", "taken"]
