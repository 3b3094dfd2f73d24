"""Tile and sprite video with a 9918A-type chip."""
