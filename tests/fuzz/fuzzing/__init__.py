"""Inputs made up by structure, run in process and as processes, judged, and made small where they find a fault."""
