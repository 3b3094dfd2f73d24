"""Offsets of the 6522's registers, by the names of the data sheets, and a start of timer 1."""

ORB, ORA, DDRB, DDRA, T1CL, T1CH, T1LL, T1LH, T2CL, T2CH, SR, ACR, PCR, IFR, IER, ORA_QUIET = range(16)


def start_t1(via, count):
    """Write the count; returns the cycle of the T1C-H write, cycle 0 of the sheets' figures."""
    via.write(T1LL, count & 0xFF)
    cycle = via.cycle
    via.write(T1CH, count >> 8)
    return cycle
