"""The machine file: TOML to a checked description."""
