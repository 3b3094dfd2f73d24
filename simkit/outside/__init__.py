"""The outside of a machine: recordings, serial lines and keys of the host."""
