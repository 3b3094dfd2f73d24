"""The machine: built from its description, run, looked at, saved."""
