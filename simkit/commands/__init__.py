"""Commands of the console script `simkit`, one module a command."""
