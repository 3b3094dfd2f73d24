"""A stretch of a run as a film: pictures at exact frame times."""
