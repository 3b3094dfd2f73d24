"""Files: read with a bound, written whole or not at all; PNG without numpy."""
