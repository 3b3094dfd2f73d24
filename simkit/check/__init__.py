"""The pre-burn check: what the hardware will choke on, said before the ROM is burned."""
