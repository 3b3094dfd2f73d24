"""The smallest machine, as a machine file: RAM in the lower half of the addresses, a ROM in the upper.

The ROM comes last, so that what a test adds (its image, its labels) is the ROM's.
"""

SHED = """\
name = "Potting shed"
clock = "1 MHz"
[[card]]
slot = 1
kind = "sram"
select = "0xxx xxxx xxxx xxxx"
[[card]]
slot = 2
kind = "rom"
select = "1xxx xxxx xxxx xxxx"
"""
