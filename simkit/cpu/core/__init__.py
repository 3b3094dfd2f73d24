"""The core: the whole CPU as one WebAssembly module a part, generated from the texts of the instructions."""
