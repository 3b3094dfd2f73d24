"""`python -m simkit` is the command `simkit`."""

import signal

if __name__ == "__main__":
    ours = signal.getsignal(signal.SIGINT) is signal.default_int_handler
    if ours:
        # Ctrl-C ends the process without a traceback while what looks after Ctrl-C is imported.
        signal.signal(signal.SIGINT, signal.SIG_DFL)

from simkit.commands.main import main

if __name__ == "__main__":
    if ours:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    main()
