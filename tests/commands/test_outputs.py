"""What commands write: over their own files alone, where links lead, into devices and pipes, told before the work."""

import json
import os
import re
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import pytest

from simkit.commands.app import COMMANDS, build_app
from simkit.commands.main import main
from simkit.commands.new import write_machine

START = [sys.executable, "-m", "simkit"]
PNG = b"\x89PNG\r\n\x1a\n"


def a_json(content):
    return json.loads(content)["format"] == "simkit-coverage"


def is_raw(content):
    return len(content) == 32768


def is_hex(content):
    return content.endswith(b":00000001FF\n")


OUTPUTS = {
    "run --png": ("run M --headless TIME --png OUT", ".png", 0, lambda content: content.startswith(PNG)),
    "run --record": ("run M --headless TIME --record OUT", ".rec", 0, lambda content: b"simkit-recording" in content),
    "run --capture": (
        "run S --headless TIME --terminal here --capture OUT", ".txt", 0, lambda content: content.startswith(b"\r\nW")
    ),
    "check --sarif": ("check M TIME --sarif OUT", ".sarif", None, lambda content: "runs" in json.loads(content)),
    "coverage --save": ("coverage M TIME --save OUT", ".json", 0, a_json),
    "coverage --html": ("coverage M TIME --html OUT", ".html", 0, lambda content: content.endswith(b"</html>\n")),
    "video --html": ("video M --at 0.02s --html OUT", ".html", 0, lambda content: content.endswith(b"</html>\n")),
    "budget --svg": ("budget M --svg OUT", ".svg", 0, lambda content: content.endswith(b"</svg>\n")),
    "map --svg": ("map M --svg OUT", ".svg", 0, lambda content: content.endswith(b"</svg>\n")),
    "map --html": ("map M --html OUT", ".html", 0, lambda content: content.endswith(b"</html>\n")),
    "map --constants": ("map M --constants OUT", ".inc", 0, lambda content: b"CLOCK_HZ = " in content),
    "coverage --lcov": ("coverage M TIME --lcov OUT", ".info", 0, lambda content: content.startswith(b"TN:simkit_")),
    "coverage --cobertura": ("coverage M TIME --cobertura OUT", ".xml", 0, lambda content: b"<coverage" in content),
    "rehearse": ("rehearse M --for 100c --out OUT", ".vcd", 0, lambda content: b"$enddefinitions" in content),
    "trace --vcd": ("trace M --for 100c --vcd OUT", ".vcd", 0, lambda content: b"$enddefinitions" in content),
    "trace --svg": ("trace M --from 0c --for 9c --svg OUT", ".svg", 0, lambda content: content.endswith(b"</svg>\n")),
    "trace --png": ("trace M --from 0c --for 9c --png OUT", ".png", 0, lambda content: content.startswith(PNG)),
    "pack": ("pack M --poster 100c --out OUT", ".kit", 0, lambda content: content.startswith(b"PK\3\4")),
    "film": ("film S2 --for 2f --scale 1 --out OUT", ".gif", 0, lambda content: content.startswith(b"GIF89a")),
    "burn, raw": ("burn M --part 28C256 --out OUT", ".bin", 0, is_raw),
    "burn, Intel HEX": ("burn M --part 28C256 --out OUT", ".hex", 0, is_hex),
    "burn, S-records": ("burn M --part 28C256 --out OUT", ".s19", 0, lambda content: content.startswith(b"S")),
}  # fmt: skip
"""Command line, ending of the file, exit code (None: any), whether the content is right."""
BY_ENDING = ("burn, Intel HEX", "burn, S-records", "pack", "film")
STREAMED = {name: output for name, output in OUTPUTS.items() if name not in BY_ENDING}
"""What goes into devices and pipes, whose names have no ending that would say the format."""
FOREIGN = {
    ".png": PNG + b"a photograph",
    ".bin": b"a letter, as long as a part\n" + b"x" * (32768 - 28),
}
"""What somebody else's file of that ending may hold; otherwise a diary."""
DIARY = b"dear diary\n"


@pytest.fixture
def run_line(capfd, tmp_path, monkeypatch):
    """As `simkit`, beside a machine in `m` and without input; the descriptors are kept, which a serial line takes."""
    monkeypatch.chdir(tmp_path)
    write_machine(tmp_path / "m")

    def run(line, out, *more, time="--for 0.02s", odd=""):
        words = [word.replace("ODD", odd) for word in line.replace("TIME", time).split()]
        named = {"M": "m", "S": "demo:monitor", "S2": "demo:video-test-card", "OUT": str(out)}
        code = ended_with([*(named.get(word, word) for word in words), *more])
        return code, *capfd.readouterr()

    with Path(os.devnull).open() as nothing:
        monkeypatch.setattr(sys, "stdin", nothing)
        yield run


@pytest.fixture(params=OUTPUTS)
def output(request):
    return OUTPUTS[request.param]


@pytest.fixture(params=STREAMED)
def streamed(request):
    return STREAMED[request.param]


def ended_with(words):
    """The exit code of a command line."""
    with pytest.raises(SystemExit) as ended:
        main(words)
    return ended.value.code


def names(folder):
    return sorted(path.name for path in folder.iterdir() if path.name != "m")


def test_an_output_is_written_and_over_its_like_with_a_word(output, run_line, tmp_path):
    line, ending, code, is_right = output
    path = tmp_path / f"out{ending}"
    found, _, err = run_line(line, path.name)
    assert code in (found, None)
    assert is_right(path.read_bytes())
    assert "Overwrites" not in err
    found, _, err = run_line(line, path.name)
    if "--capture" in line or "--record" in line:  # what was said and done once cannot be had again
        assert found == 2
        assert "it stays as it is" in err
    else:
        assert code in (found, None)
        assert f"Overwrites {path.name}\n" in err
    assert is_right(path.read_bytes())
    assert names(tmp_path) == [path.name]


def test_another_file_stays_and_that_is_told_before_the_machine_runs(output, run_line, tmp_path):
    line, ending, code, is_right = output
    path = tmp_path / f"out{ending}"
    content = FOREIGN.get(ending, DIARY)
    path.write_bytes(content)
    before = time.monotonic()
    found, out, err = run_line(line, path.name, time="--for 1000000s")
    assert time.monotonic() - before < 20
    assert (found, out) == (2, "")
    assert err.startswith(f"{path.name} exists")
    assert err.endswith("it stays as it is.\nChoose another name, or add --force.\n")
    assert path.read_bytes() == content
    found, _, err = run_line(line, path.name, "--force")
    assert code in (found, None)
    assert f"Overwrites {path.name}\n" in err
    assert is_right(path.read_bytes())


def test_a_link_stays_and_rights_are_kept(output, run_line, tmp_path):
    line, ending, _, is_right = output
    (tmp_path / "inner").mkdir()
    path = tmp_path / "inner" / f"real{ending}"
    path.touch()
    path.chmod(0o640)
    link = tmp_path / f"out{ending}"
    link.symlink_to(path)
    run_line(line, link.name)
    assert link.is_symlink()
    assert is_right(path.read_bytes())
    assert os.name != "posix" or path.stat().st_mode & 0o777 == 0o640


@pytest.mark.parametrize("where", ["no/out", "m", "file/out"])
def test_a_path_that_is_wrong_is_told_before_the_machine_runs(where, output, run_line, tmp_path):
    line, ending, _, _ = output
    (tmp_path / "file").touch()
    by_ending = ending in (".png", ".kit", ".gif")
    out = where if where == "m" and not by_ending else f"{where}{ending}"
    if where == "m" and by_ending:
        (tmp_path / out).mkdir()
    found, printed, err = run_line(line, out, time="--for 1000000s")
    assert (found, printed) == (2, "")
    assert "cannot be written" in err or "is a folder" in err
    assert len(err.splitlines()) == 2


@pytest.mark.needs("/dev/full")
def test_a_full_device_is_74(streamed, run_line):
    line, *_ = streamed
    code, _, err = run_line(line, "/dev/full")
    assert code == 74
    assert "No space left on device" in err
    assert "Traceback" not in err


@pytest.mark.needs("devices")
def test_the_null_device_takes_it(streamed, run_line):
    line, _, code, _ = streamed
    assert code in (run_line(line, "/dev/null")[0], None)


@pytest.mark.needs("fifo")
def test_a_pipe_gets_it_when_somebody_reads(streamed, run_line, tmp_path):
    line, _, code, is_right = streamed
    os.mkfifo(tmp_path / "pipe")
    found, _, err = run_line(line, "pipe")
    assert found == 74
    assert "nobody reads from the pipe" in err
    content = []
    reader = threading.Thread(target=lambda: content.append((tmp_path / "pipe").read_bytes()))
    reader.start()
    time.sleep(0.1)
    assert code in (run_line(line, "pipe")[0], None)
    reader.join(20)
    assert is_right(content[0])


EACH_STREAM = [
    pytest.param(name, *way, marks=() if number % 2 == at else pytest.mark.slow)
    for number, name in enumerate(STREAMED)
    for at, way in enumerate([(True, []), (False, ["--json"])])
]
"""Each output into a file, or into a pipe with `--json`; both ways when there is time."""


def words_of(name):
    """The words of a line whose output goes to standard output; beside them the code and whether it is right."""
    line, _, code, is_right = STREAMED[name]
    if "--terminal" in line:
        pytest.skip("standard output is the serial line's")
    named = {"M": "m", "OUT": "/dev/stdout"}
    return [named.get(word, word) for word in line.replace("TIME", "--for 0.02s").split()], code, is_right


def is_told(text, more):
    """What is said stands there; with `--json` as that."""
    assert text
    if more:
        json.loads(text[text.index("{\n") :].rpartition("}")[0] + "}")


@contextmanager
def standard_output(handle):
    """Descriptor 1, and Python's stream, are that handle."""
    before, stream = os.dup(1), sys.stdout
    os.dup2(handle, 1)
    try:
        with open(1, "w", closefd=False) as sys.stdout:
            yield
    finally:
        sys.stdout = stream
        os.dup2(before, 1)
        os.close(before)


@pytest.mark.needs("devices")
@pytest.mark.parametrize(("name", "to_file", "more"), EACH_STREAM)
def test_standard_output_gets_it_alone_and_what_is_said_goes_to_standard_error(
    name, to_file, more, tmp_path, capfd, monkeypatch
):
    words, code, is_right = words_of(name)
    monkeypatch.chdir(tmp_path)
    write_machine(tmp_path / "m")
    if to_file:
        with (tmp_path / "seen").open("wb") as seen, standard_output(seen.fileno()):
            ended = ended_with([*words, *more])
        found = (tmp_path / "seen").read_bytes()
    else:
        end, begin = os.pipe()
        with os.fdopen(end, "rb") as pipe, ThreadPoolExecutor(1) as other:
            read = other.submit(pipe.read)
            try:
                with standard_output(begin):
                    ended = ended_with([*words, *more])
            finally:
                os.close(begin)
            found = read.result(60)
    assert code in (ended, None)
    assert is_right(found)
    is_told(capfd.readouterr().err, more)


AS_PROCESSES = [
    pytest.param(*each.values, marks=each.marks if number in (0, len(EACH_STREAM) - 1) else pytest.mark.slow)
    for number, each in enumerate(EACH_STREAM)
]
"""One of them into a file, another one into a pipe; all of them when there is time."""


@pytest.mark.needs("devices")
@pytest.mark.parametrize(("name", "to_file", "more"), AS_PROCESSES)
def test_standard_output_of_a_process_gets_it_alone(name, to_file, more, tmp_path):
    words, code, is_right = words_of(name)
    write_machine(tmp_path / "m")
    with (tmp_path / "seen").open("wb") as seen:
        done = subprocess.run(
            [*START, *words, *more],
            cwd=tmp_path,
            stdout=seen if to_file else subprocess.PIPE,
            stderr=subprocess.PIPE,
            check=False,
        )
    assert code in (done.returncode, None)
    assert is_right((tmp_path / "seen").read_bytes() if to_file else done.stdout)
    is_told(done.stderr.decode(), more)


def test_split_images_are_all_written_or_none(run_line, tmp_path):
    line = "burn M --part 27C64 --split --out OUT"
    (tmp_path / "rom-3.bin").write_bytes(DIARY)
    code, _, err = run_line(line, "rom.bin")
    assert (code, names(tmp_path)) == (2, ["rom-3.bin"])
    assert err.startswith("rom-3.bin exists")
    assert run_line(line, "rom.bin", "--force")[0] == 0
    assert names(tmp_path) == [f"rom-{number}.bin" for number in (1, 2, 3, 4)]
    if Path("/dev/null").exists():
        assert run_line(line, "/dev/null")[0] == 2


def test_pictures_of_a_folder_are_all_written_or_none(run_line, tmp_path):
    line = "video M --at 5000c --folder OUT"
    assert run_line(line, "a/b")[0] == 0
    inside = sorted(path.name for path in (tmp_path / "a" / "b").iterdir())
    (tmp_path / "a" / "b" / inside[-1]).write_bytes(DIARY)
    before = {path.name: path.stat().st_mtime_ns for path in (tmp_path / "a" / "b").iterdir()}
    code, _, err = run_line(line, "a/b")
    assert code == 2
    assert f"{inside[-1]} exists and is not a picture written by simkit" in err
    assert {path.name: path.stat().st_mtime_ns for path in (tmp_path / "a" / "b").iterdir()} == before


NEW = {
    "new machine": "new machine OUT",
    "new card": "new card OUT/my-card",
    "new card --package": "new card OUT/my-card --package",
    "demo": "demo lamps-and-buttons OUT",
}


@pytest.mark.parametrize("line", NEW.values(), ids=NEW)
def test_a_new_folder_is_there_whole_and_stays_when_it_is_asked_for_again(line, tmp_path, run_line):
    def tree():
        return {path: path.read_bytes() for path in (tmp_path / "mine").rglob("*") if path.is_file()}

    words = line.replace("OUT", "mine/inner")
    assert run_line(words, "")[0] == 0
    before = tree()
    some = sorted(before)[0]
    some.write_bytes(DIARY)
    (some.parent / "notes.txt").write_bytes(DIARY)
    changed = tree()
    code, out, err = run_line(words, "")
    assert (code, out) == (2, "")
    assert "nothing was written" in err or "Nothing was written" in err
    assert "--force" in err
    assert tree() == changed
    code, _, err = run_line(words, "", "--force")
    assert code == 0
    assert f"Overwrites {some.relative_to(tmp_path)}\n" in err
    assert tree() == {**before, some.parent / "notes.txt": DIARY}


@pytest.mark.parametrize("line", NEW.values(), ids=NEW)
def test_a_folder_that_cannot_be_made_is_told_and_nothing_is_left(line, tmp_path, run_line):
    (tmp_path / "file").touch()
    code, out, err = run_line(line.replace("OUT", "file/mine"), "")
    assert (code, out) == (2, "")
    assert "cannot be written" in err
    assert names(tmp_path) == ["file"]


def test_every_command_that_writes_has_the_option_that_forces_it():
    """One option, the same for all: `--force`."""
    import typer

    command = typer.main.get_command(build_app(list(COMMANDS)))
    writing = {"run", "check", "burn", "coverage", "rehearse", "video", "demo", "machine", "card", "test-rom", "trace"}
    writing |= {"compare", "suspect", "pack", "unpack", "page", "film", "replay", "map", "budget"}
    found = set()

    def look(name, command):
        for inner, each in getattr(command, "commands", {}).items():
            look(inner, each)
        if any("--force" in parameter.opts for parameter in command.params):
            found.add(name)

    look("simkit", command)
    assert found == writing


ODD = (
    "",
    ".",
    "..",
    "/",
    "~",
    "a\nb",
    "x" * 5000,
    "../" * 3000,
    "/dev/fd/99999",
    "\udce4",
    "m/machine.toml/x",
    "/dev",
    "m",
)
LINES_WITH_FILES = (
    *(line.replace(" OUT", "=ODD").replace("TIME", "--for 1c") for line, *_ in OUTPUTS.values()),
    "run ODD --headless --for 1c",
    "run M --headless --for 1c --image=2=ODD",
    "run M --headless --for 1c --labels=ODD",
    "run M --headless --for 1c --replay=ODD",
    "run S --headless --for 1c --terminal here --paste=ODD",
    "check M --for 1c --accepted=ODD",
    "coverage M --for 0c --merge=ODD",
    "burn M --part 28C256 --verify=ODD",
    "controls --controls=ODD",
    "cards file:ODD:X",
    "demo lamps-and-buttons ODD",
)


ODD_NAMES_OF_A_LINE = [
    pytest.param(line, ODD[third::3], marks=() if number % 3 == third else pytest.mark.slow)
    for number, line in enumerate(LINES_WITH_FILES)
    for third in range(3)
]
"""Each line gets a third of the names, lines beside each other other ones; and the rest when there is time."""


@pytest.mark.skipif(os.name != "posix", reason="other systems have other odd names")
@pytest.mark.parametrize(("line", "some"), ODD_NAMES_OF_A_LINE)
def test_odd_names_of_files_get_one_message(line, some, run_line, tmp_path):
    for odd in some:
        before = names(tmp_path)
        code, _, err = run_line(line, "", odd=odd)
        assert "fault in the kit" not in err
        if code not in (0, 1):
            assert code in (2, 74), (odd, err)
            assert len(err.splitlines()) == 2, err
            assert names(tmp_path) == before


@pytest.mark.parametrize(
    "line",
    [
        "run M --headless TIME --png a.png --record a.png",
        "run M --headless TIME --png a.png --record ./b/../a.png",
        "run S --headless TIME --terminal here --capture a.txt --record a.txt",
        "run M --headless TIME --replay a.rec --record a.rec",
        "coverage M TIME --save a --html a",
        "coverage M TIME --lcov a --cobertura a",
        "trace M --vcd a.vcd --svg ./b/../a.vcd",
    ],
)
def test_two_options_do_not_name_one_file(line, run_line, tmp_path):
    (tmp_path / "b").mkdir()
    code, out, err = run_line(line, "", time="--for 1000000s")
    assert (code, out) == (2, "")
    assert re.fullmatch(r"--\w+ and --\w+ name one file, \S+\.\nName two\.\n", err)
    assert names(tmp_path) == ["b"]
