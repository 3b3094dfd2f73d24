"""How fast things are, measured side by side in one run: the engines, and the registers of cards."""
