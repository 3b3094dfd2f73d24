"""A capture of a real bus beside the machine: where they part, and what that says of lines, cards and CPU."""
