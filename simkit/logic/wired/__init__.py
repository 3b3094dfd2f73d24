"""A card's decoder as it is wired: its parts, what they come to, and how its switches stand."""
