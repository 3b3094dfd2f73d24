"""Fixtures for the tests of cards."""

import importlib.util
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from simkit_cards.tile_video.card import TileVideo

from simkit import Machine
from simkit.contract.card import Card
from simkit.testing.bench import SLOT, Bench

ROOT = Path(__file__).resolve().parents[2]
FRAME_TICKS = 262 * 342 * 2
LINE_CYCLES = 342 * 2 * 1_000_000 / 10_738_635


class VideoDriver:
    """A tile-video card on the bench at 1 MHz, driven with ample time between accesses."""

    def __init__(self, **options: Any) -> None:
        clock = options.pop("clock_hz", Fraction(1_000_000))
        self.bench = Bench(TileVideo, options, clock_hz=clock)
        self.pause = 20

    @property
    def card(self) -> TileVideo:
        card = self.bench.card
        assert isinstance(card, TileVideo)
        return card

    def control(self, *values: int) -> None:
        for value in values:
            self.bench.write(1, value)
            self.bench.run(self.pause)

    def data(self, values: bytes | list[int]) -> None:
        for value in values:
            self.bench.write(0, value)
            self.bench.run(self.pause)

    def read_data(self) -> int:
        value = self.bench.read(0)
        self.bench.run(self.pause)
        return value

    def status(self) -> int:
        return self.bench.read(1)

    def register(self, number: int, value: int) -> None:
        self.control(value, 0x80 | number)

    def registers(self, values: bytes | list[int]) -> None:
        for number, value in enumerate(values):
            self.register(number, value)

    def store(self, address: int, values: bytes | list[int]) -> None:
        self.control(address & 0xFF, 0x40 | address >> 8)
        self.data(values)

    def memory(self, address: int) -> int:
        byte: int = self.card.save(self.bench.cycle)["memory"][address]
        return byte

    def counter(self) -> int:
        address: int = self.card.save(self.bench.cycle)["ports"]["address"]
        return address

    def poke(self, memory: bytes, registers: bytes) -> None:
        """Put memory and registers in, all at once, as if they had been so since the frame began."""
        state = self.card.save(self.bench.cycle)
        state["memory"] = state["frame_memory"] = memory
        state["registers"] = state["frame_registers"] = list(registers)
        state["journal"] = []
        state["written"] = bytes([1]) * 0x4000
        self.card.load(state)

    def to_line(self, line: int, dot: int = 0) -> None:
        """Let time pass up to a dot of a line in this or the next frame."""
        self.bench.run(1)
        frames = self._tick() // FRAME_TICKS
        target = frames * FRAME_TICKS + line * 684 + dot * 2
        if target <= self._tick():
            target += FRAME_TICKS
        crystal = self.card._crystal
        self.bench.run_to(crystal.first_cycle_at(target + self.card._raster.start))

    def _tick(self) -> int:
        return self.card._crystal.ticks_at(self.bench.cycle) - self.card._raster.start

    def frames(self, count: int = 1) -> None:
        """Let whole frames pass, up to just past the end of the last active line."""
        for _ in range(count):
            self.to_line(192, 0)

    def picture(self) -> npt.NDArray[np.uint8]:
        pixels = self.card.slot.ports["screen"].pixels(self.bench.cycle)
        return np.frombuffer(pixels, np.uint8).reshape(192, 256)

    def rules(self) -> set[str]:
        return {finding.rule for finding in self.bench.findings}


@pytest.fixture(scope="session")  # a class, so that property tests may use it
def make_video() -> Callable[..., VideoDriver]:
    """Makes a driven tile-video card from settings (and clock_hz)."""
    return VideoDriver


@pytest.fixture
def video() -> VideoDriver:
    """A driven tile-video card with default settings."""
    return VideoDriver()


@pytest.fixture(scope="session")
def assembled(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Path], bytes]:
    """Assembles a source file and gives its image."""
    spec = importlib.util.spec_from_file_location("roms_build", ROOT / "roms" / "build.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    folder = tmp_path_factory.mktemp("assembled")
    return lambda source: module.assemble(source, folder)["bin"].read_bytes()


@pytest.fixture(scope="session")
def video_mistakes(assembled: Callable[[Path], bytes]) -> dict[str, bytes]:
    """Images of the small ROMs with drivers' mistakes by name, assembled once."""
    return {path.stem: assembled(path) for path in (ROOT / "roms" / "video-mistakes").glob("*.asm")}


@pytest.fixture(scope="session")
def after(video_mistakes: dict[str, bytes]) -> Callable[..., Machine]:
    """Marlpit with a mistake's ROM, after some machine time."""

    def run(name: str, seconds: float = 0.35, **options: Any) -> Machine:
        machine = Machine.load(ROOT / "demo" / "marlpit", images={2: video_mistakes[name]}, **options)
        machine.run(seconds=seconds)
        return machine

    return run


@pytest.fixture(scope="session")
def rewired(video_mistakes: dict[str, bytes], tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Machine]:
    """Marlpit with lines of its machine file added to the video card's, after some machine time."""

    def run(lines: str, image: str = "too-fast-right", seconds: float = 0.1) -> Machine:
        folder = tmp_path_factory.mktemp("rewired")
        base = ROOT / "demo" / "marlpit" / "machine.toml"
        (folder / "machine.toml").write_text(f'name = "Rewired"\nbase = "{base}"\n[[card]]\nslot = 5\n{lines}\n')
        data = video_mistakes.get(image) or ROOT / "roms" / f"{image}.bin"
        machine = Machine.load(folder, images={2: data})
        machine.run(seconds=seconds)
        return machine

    return run


class CardBench(Bench):
    """A bench at 2 MHz unless told otherwise, with accesses and outside events at chosen cycles."""

    def __init__(
        self,
        card: type[Card],
        hz: int = 2_000_000,
        seed: int = 1,
        lines: dict[str, str] | None = None,
        **settings: Any,
    ) -> None:
        super().__init__(card, settings, seed=seed, clock_hz=Fraction(hz), lines=lines)

    @property
    def port(self) -> Any:
        """The card's only port."""
        (port,) = self.card.slot.ports.values()
        return port

    def to(self, cycle: int) -> None:
        """Go to a cycle; everything due up to and in it happens."""
        assert cycle >= self.cycle
        self.run_to(cycle)
        self.begin()

    def read(self, offset: int, cycle: int | None = None) -> int:
        """Read a register in a cycle, the present one unless given."""
        self.to(self.cycle if cycle is None else cycle)
        return super().read(offset)

    def write(self, offset: int, value: int, cycle: int | None = None) -> None:
        """Write a register in a cycle, the present one unless given."""
        self.to(self.cycle if cycle is None else cycle)
        super().write(offset, value)

    def happens(self, action: str, *arguments: Any, at: int | None = None) -> None:
        """Schedule an outside event at the card's only port."""
        cycle = self.cycle + 1 if at is None else at
        self._bus.agenda.schedule(cycle, SLOT, self.port.name, action, arguments)

    def line(self, name: str) -> bool:
        """Level of a line now."""
        return self._bus.nets.line(name).level


@pytest.fixture(scope="session")  # a class, so that property tests may use it
def card_bench() -> type[CardBench]:
    """The bench, to be called with a card class and its settings."""
    return CardBench
