"""The window: pygame is imported here and nowhere else."""
