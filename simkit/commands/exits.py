"""Exit codes of the commands; 0 is success."""

FOUND = 1
"""Findings, failures or differences."""
WRONG_USE = 2
INTERRUPTED = 130
"""Ctrl-C: 128 + SIGINT, as shells count."""
