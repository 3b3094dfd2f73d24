"""Findings of a check and how they are told."""
