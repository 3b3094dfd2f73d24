"""The live page: a folder for any web host, in which a machine runs in the visitor's browser."""
