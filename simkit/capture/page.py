"""What people are told of captures: the forms that are read, the channel file, the bus lines of a monitor."""

PAGE = """\
Captures of a real bus, and how they are read
=============================================

What a file is, its content says, whatever it is called:

  VCD              value change dumps, of analysers and simulators
  CSV              of digital channels: a row a sample, or a row a change with its time; times in the unit that the
                   head says; no analog values, no column with a bus in hex
  .sr              zipped session archives, versions 1 and 2
  ;Rate: lists     a sample a line, in hex, with its number
  bus lines        what a bus monitor of your own prints; see below

Which channel is which line
---------------------------
Channels that bear the name of a line are that line: A0 to A15, D0 to D7, RW, PHI2, SYNC, IRQ, NMI, RESET, RDY, SO, also
in other spellings (a[3], /IRQ, RWB, RESB). For all others write a channel file:

  [channels]
  "Channel 0" = "PHI2"
  "CH1..CH8" = "D0..D7"         # a range for a range
  "Channel 9" = "not IRQ"       # inverted
  "Channel 10" = "4.select"     # the select of slot 4, low while it is selected
  data = "D0..D7"               # a vector of a VCD

  [capture]                     # only what the file itself does not say
  rate = "24 MHz"               # samples a second
  time = "us"                   # unit of the column of times
  synchronous = true            # the analyser was clocked by the bus: a sample is a bus cycle
  clock = "CH3 rising"          # which edge ends a bus cycle, where no channel is PHI2
  set_up = "200 ns"             # data are valid so long before PHI2 falls
  glitch = "20 ns"              # shorter pulses are none
  stretched = true              # the machine holds PHI2 for slow cards
  dense = true                  # an archive whose channels were packed together
  header = "bus-lines 1 ..."    # of bus lines that come without their header

Sample four times as fast as PHI2 at least, better eight times, and capture PHI2 itself. Data are taken in the last
sample before PHI2 falls, address and R/W by a vote while it is high. What changes where it counts is unknown and never
guessed; where samples are missing, cycles are said to be lost.

Bus lines
---------
A bus monitor of your own, a microcontroller with its pins on the bus, prints a header once and then a line a cycle:

  bus-lines 1 cycles address data RW SYNC
  C000 A9 1 1
  C001 41 1 0

After the version, 1, stands `cycles` (a line is a bus cycle, as it is before PHI2 falls) or `samples` (PHI2 is among
the columns, and `rate=8MHz` or a column of times is needed). Columns, a word each, as many in each line:

  address, data    in hex
  D0..D3           any range of lines as one number in hex, the first of the range is bit 0
  RW, IRQ, 4.INT   one line: 0, 1, x; RW may be R and W
  count            a running number; shows which lines are missing; may begin again after a byte, word or long
  time:us          when, in s, ms, us or ns; may begin again after 2^32
  -                a word that means nothing

x in hex is four bits that are not known, # begins a remark, a line `lost` says that some are missing. The monitor may
print over a serial port or into a pipe: cycles are read as they come. In the language of small boards:

  Serial.println("bus-lines 1 cycles address data RW");
  ...
  sprintf(line, "%04X %02X %c", address, data, rw ? 'R' : 'W');  Serial.println(line);
"""


def page() -> list[str]:
    """The page, line by line."""
    return PAGE.splitlines()
