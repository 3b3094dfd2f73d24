"""The window: a machine in real time, with the host's keys, joysticks and mouse. The only place that imports pygame."""

import os

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")  # read by pygame on import: no greeting on our stdout
