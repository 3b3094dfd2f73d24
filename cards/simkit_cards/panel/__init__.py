"""Lamps and push buttons."""
