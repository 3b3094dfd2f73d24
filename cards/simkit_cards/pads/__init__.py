"""Game pads read through a shift register."""
