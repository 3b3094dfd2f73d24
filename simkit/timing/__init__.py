"""Whether parts are fast enough: sums of what their sheets say, against the time that the clock leaves."""
