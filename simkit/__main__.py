"""`python -m simkit` is the command `simkit`."""

from simkit.commands.main import main

if __name__ == "__main__":
    main()
