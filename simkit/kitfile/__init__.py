"""The file of a kit: a machine packed for others. Its manifest, its bounded reader, and how it becomes a folder."""
