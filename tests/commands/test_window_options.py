"""Options of `simkit run` for the window: what it is opened with, and what is wrong use of them."""

import pytest

from simkit.commands.main import main
from simkit.commands.new import write_machine
from simkit.outside.speed import Speed


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """The folder of the machine of `simkit new machine`; the current folder is another one."""
    write_machine(tmp_path / "hello")
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    return tmp_path / "hello"


@pytest.fixture
def opened(monkeypatch):
    """Open a window with these arguments, and close it at once; gives its App."""
    monkeypatch.setenv("SDL_VIDEODRIVER", "dummy")
    monkeypatch.setenv("SDL_AUDIODRIVER", "dummy")

    def run(*arguments):
        from simkit.window.app import App

        apps = []
        monkeypatch.setattr(App, "run", lambda app: apps.append(app))  # a bound method, as the real one
        with pytest.raises(SystemExit) as ended:
            main(["run", *map(str, arguments)])
        assert ended.value.code == 0
        return apps[0]

    return run


@pytest.mark.parametrize("speed", list(Speed))
def test_the_window_opens_at_the_speed_asked_for(opened, folder, speed):
    app = opened(folder, "--speed", speed.value)
    assert app.pacer.speed is speed


def test_the_window_opens_at_real_speed(opened, folder):
    assert opened(folder).pacer.speed is Speed.REAL


def test_pictures_go_beside_the_machine_with_and_without_a_window(opened, folder, monkeypatch):
    assert opened(folder).pictures == folder
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "SDL_VIDEODRIVER"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr("sys.platform", "linux")
    with pytest.raises(SystemExit):
        main(["run", str(folder), "--clock", "100 kHz"])
    assert [path.parent for path in folder.parent.rglob("*.png")] == [folder]


def test_pictures_of_a_machine_of_the_kit_go_into_this_folder(opened, folder):
    assert opened("demo:marlpit").pictures == folder.parent / "elsewhere"


WRONG = {
    "no such speed": (("--speed", "quick"), "'quick' is no speed."),
    "no window to pace": (("--headless", "--speed", "half"), "--headless runs as fast as it goes"),
    "no window to watch for": (("--headless", "--watch"), "--watch is for the window"),
}


@pytest.mark.parametrize(("options", "message"), WRONG.values(), ids=WRONG)
def test_wrong_use_is_told(folder, capsys, options, message):
    with pytest.raises(SystemExit) as ended:
        main(["run", str(folder), *options])
    assert ended.value.code == 2
    assert message in capsys.readouterr().err


def test_trouble_that_nobody_can_read_any_more_ends_nothing(monkeypatch):
    from simkit.commands.taped_run import note

    class Gone:
        def write(self, text):
            raise BrokenPipeError

        def flush(self):
            raise ValueError("closed")

    monkeypatch.setattr("sys.stderr", Gone())
    note("Not loaded.")
