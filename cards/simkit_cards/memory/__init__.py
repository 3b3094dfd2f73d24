"""RAM, ROM, and the latch that banks them."""
