"""What a person's hands do to a machine, and at what pace, whatever host they are at; knows no library of a host."""
