"""What decoders are made of: parts, and what they make of levels, as truth tables over all addresses."""
