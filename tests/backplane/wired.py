"""The bench with wiring of a test's, and what its programs are made of."""

from simkit import Machine

RAM, ROM = 1, 2


def image(code, reset=0x8000, irq=0x8000, fill=0xEA, **more):
    rom = bytearray([fill]) * 0x8000
    rom[: len(bytes.fromhex(code))] = bytes.fromhex(code)
    for at, text in more.items():
        place = int(at[1:], 16) - 0x8000
        rom[place : place + len(bytes.fromhex(text))] = bytes.fromhex(text)
    for at, vector in ((0x7FFA, irq), (0x7FFC, reset), (0x7FFE, irq)):
        rom[at : at + 2] = vector.to_bytes(2, "little")
    return bytes(rom)


def both(code, *wiring, cycles=400, rom=None, settle=None, **more):
    """A machine, run on both engines: they agree, whatever is wired how."""
    made = []
    for engine in ("exact", "core"):
        images = {ROM: image(code, **more) if rom is None else rom}
        m = Machine.load("demo:bench", images=images, wiring=wiring, engine=engine)
        m.run(cycles=cycles)
        made.append(m)
    exact, core = made
    assert exact.cycle == core.cycle
    assert exact.save_state() == core.save_state()
    assert list(exact.findings) == list(core.findings)
    return core


STORE = "A9 {0:02X} 85 10 A5 10 85 11 4C 08 80"  # what RAM gives back of a byte


VARIANT = 'base = "{}"\n{}'


def variant(tmp_path, text):
    path = tmp_path / "machine.toml"
    path.write_text(VARIANT.format(Machine.load("demo:bench").description.path.as_posix(), text))
    return path
