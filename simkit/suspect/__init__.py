"""Which single fault explains what was seen."""
