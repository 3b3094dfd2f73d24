"""What goes into a kit: a machine with all that it is made of, told file by file, packed for others."""
