"""Records of bus cycles as arrays."""
