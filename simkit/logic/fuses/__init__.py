"""Programmable logic by its fuse map: the file, the devices, what they do, and that in words."""
