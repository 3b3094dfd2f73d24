"""A schematic's netlist beside the machine file: read, worked out as a network of parts, compared with a card."""
