"""The rules of the check: what is wrong, why it bites on hardware, what to do."""
