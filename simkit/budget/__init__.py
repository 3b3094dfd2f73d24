"""The timing budget of a machine: every sum with its terms, in words, as data and as a drawing."""
