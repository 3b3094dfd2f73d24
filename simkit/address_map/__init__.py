"""Where everything answers: the map of a machine, the constants of its ROM sources, and what is compared with it."""
