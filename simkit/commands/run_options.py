"""What the command line says about `simkit run`, and whether it goes together."""

from __future__ import annotations

from pathlib import Path

import attrs

from simkit.commands.options import MachineOptions, check_apart
from simkit.commands.rom_out import RomFiles, check_rom_files
from simkit.commands.running import Running
from simkit.contract.errors import SimkitError
from simkit.files.streams import is_stream
from simkit.outside.speed import AnySpeed


@attrs.frozen(kw_only=True)
class RunOptions:
    """What the command line says about the run.

    Attributes:
        options: the machine.
        headless: no window.
        running: what is done to the machine, and until when it runs.
        png: where the picture goes at the end.
        text: print what can be read on the screen.
        screen: slot of the screen card.
        watch: load anew when files change.
        build: command to run when sources change.
        sources: patterns of sources besides those that line tables name.
        strict: findings give exit code 1.
        as_json: print for programs.
        speed: how fast machine time goes; None: not said.
        controls: controls file.
        bar_key: replaces the bar key.
        terminal: where the terminal of the serial line is.
        paste: file to send over it.
        paste_pause: text of the duration to wait after each line of it.
        capture: file for what the machine sends.
        record: file for what happens to the machine.
        rom_out: files for what ROMs hold at the end, by slot.
        begin: text of the moment from which on the window shows what is replayed, or None.
        replay: recording to play.
        force: write over files that are not of the kit's making.
    """

    options: MachineOptions
    headless: bool = False
    running: Running = attrs.field(factory=Running)
    png: Path | None = None
    text: bool = False
    screen: int | None = None
    watch: bool = False
    build: str | None = None
    sources: tuple[str, ...] = ()
    strict: bool = False
    as_json: bool = False
    speed: AnySpeed | None = None
    controls: Path | None = None
    bar_key: str | None = None
    terminal: str | None = None
    paste: Path | None = None
    paste_pause: str | None = None
    capture: Path | None = None
    record: Path | None = None
    rom_out: RomFiles = attrs.field(factory=dict)
    replay: Path | None = None
    begin: str | None = None
    force: bool = False

    def check(self) -> None:
        """Check that the options go together.

        Raises:
            SimkitError: they do not; says which.
        """
        if self.terminal is None:
            from simkit.outside.serial_host import WHERE

            line_wanted = self.running.terminal_slot if not (self.running.sent or self.running.typed) else None
            for name, value in (
                ("--terminal-slot", line_wanted),
                ("--paste", self.paste),
                ("--paste-pause", self.paste_pause),
                ("--capture", self.capture),
            ):
                if value is not None:
                    raise SimkitError(f"{name} needs a serial line.", remedy=f"Add --terminal {WHERE}.")
        if self.png is not None and self.png.suffix.lower() != ".png" and not is_stream(self.png):
            raise SimkitError(
                f"--png {self.png}: pictures are PNG files.", remedy=f"Name it {self.png.stem or 'screen'}.png."
            )
        if self.build is not None and not self.watch:
            raise SimkitError("--build is for --watch: it runs when sources change.", remedy="Add --watch.")
        if self.sources and self.build is None:
            raise SimkitError("--sources is for --build.", remedy="Say which command builds, or leave it out.")
        if self.begin is not None and (self.replay is None or self.headless or self.terminal is not None):
            raise SimkitError(
                "--from says from where on the window shows a recording.",
                remedy="Give --replay with a window; `simkit replay --to` shows the machine at a moment.",
            )
        if self.paste_pause is not None and self.paste is None:
            raise SimkitError("--paste-pause needs --paste.", remedy="Say which file is pasted, or leave it out.")
        if self.headless or self.terminal is not None:
            for name, given in (("--watch", self.watch), ("--controls", self.controls), ("--bar-key", self.bar_key)):
                if given:
                    windowless = "--headless" if self.headless else "--terminal"
                    raise SimkitError(f"{name} is for the window; {windowless} has none.", remedy="Leave one out.")
            if self.speed is not None and self.terminal is None:
                raise SimkitError("--headless runs as fast as it goes; --speed has no say.", remedy="Leave one out.")
            return
        for name, asked_for in (
            ("--for", self.running.length is not None),
            ("--timeout", self.running.timeout is not None),
            ("--png", self.png is not None),
            ("--text", self.text),
        ):
            if asked_for:
                raise SimkitError(
                    f"{name} needs --headless: a window runs until it is closed.", remedy="Add --headless."
                )

    def check_outputs(self) -> None:
        """Check that what comes of the run can be written.

        Raises:
            SimkitError: it cannot; says which and why.
        """
        from simkit.files.png import PICTURE
        from simkit.files.whole import check_output

        named = {"--replay": self.replay, "--png": self.png, "--capture": self.capture, "--record": self.record}
        check_apart(named | {f"--rom-out {slot}": path for slot, path in self.rom_out.items()})
        check_rom_files(self.rom_out, force=self.force)
        for path, what, known in (
            (self.png, "picture", PICTURE),
            (self.capture, "capture", None),
            (self.record, "recording", None),
        ):
            if path is not None:
                check_output(path, what=what, known=known, force=self.force)
