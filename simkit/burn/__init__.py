"""The image for the programmer, and the proof that the burnt part holds it."""
