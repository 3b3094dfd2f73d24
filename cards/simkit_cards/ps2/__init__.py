"""A PS/2 keyboard on two lines."""
