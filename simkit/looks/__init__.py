"""What all that the kit draws has in common: colours with their meanings, and patterns that carry them in grey."""
