"""What the page's worker asks of the machine: time, pictures, hands, own ROMs, what happened as a recording."""

import json

import pytest

from simkit import Machine
from simkit.contract.errors import SimkitError
from simkit.files.png import screen_rows
from simkit.outside.player import replay


def test_a_second_of_frames_is_a_second_of_machine_time(bench):
    page = bench()
    page.seconds(1)
    assert page.machine.seconds == pytest.approx(1, abs=0.005)
    page.ask("speed", speed="double")
    page.seconds(1)
    assert page.machine.seconds == pytest.approx(3, abs=0.01)
    page.ask("go", on=False)
    stands = page.machine.cycle
    page.seconds(1)
    assert page.machine.cycle == stands
    assert page.ask("state")["going"] is False
    page.ask("go", on=True)
    page.seconds(1)
    assert page.machine.seconds == pytest.approx(5, abs=0.01)


def test_a_page_that_was_out_of_sight_does_not_race(bench):
    page = bench()
    page.seconds(0.5)
    before = page.machine.seconds
    page.clock.now += 30
    page.frames(1)
    assert page.machine.seconds - before < 0.1


def test_the_picture_is_that_of_the_screen_and_told_once(bench):
    page = bench()
    assert page.seconds(2) > 20
    machine, port = page.machine, page.machine.screen.port
    assert page.host.picture() == b"".join(screen_rows(port, machine.cycle, border=True))
    assert page.host.pixels() == port.pixels(machine.cycle)
    page.ask("go", on=False)
    assert page.frames(3) <= 1
    looks = page.ask("looks")
    assert len(page.host.picture()) == looks["screen"]["width"] * looks["screen"]["height"]
    assert len(looks["screen"]["palette"]) > max(page.host.picture())


def test_keys_reach_the_machine_as_on_a_desktop(bench):
    page = bench()
    page.seconds(2)
    page.ask("key", code="Enter", down=True)
    page.frames(6)
    page.ask("key", code="Enter", down=False)
    page.seconds(1)
    player = page.machine.labels["PLAYER1_X"]
    before = page.machine.peek(player)
    page.ask("key", code="ArrowLeft", down=True)
    page.seconds(0.5)
    page.ask("key", code="ArrowLeft", down=False)
    assert page.machine.peek(player) < before
    page.ask("key", code="Fn", down=True)  # a key that no keyboard has


def test_a_gamepad_of_the_standard_layout_plays_and_lets_go_when_it_is_pulled_out(bench):
    page = bench("demo/pad-test/machine.toml")
    page.seconds(0.5)

    def held():
        page.seconds(0.2)
        return [line for line in page.machine.cards[4].words() if "left" in line or "start" in line]

    assert page.ask("gamepad", number=3, buttons=[9, 14], axes=[0.0, 0.0], standard=True) == {"pad": 1}
    assert held()
    page.ask("gamepad_gone", number=3)
    assert not held()
    assert page.ask("gamepad", number=0, buttons=[], axes=[-1.0, 0.0], standard=True) == {"pad": 1}
    assert held()
    page.ask("let_go")
    assert not held()


def test_a_button_on_the_glass_is_the_pads(bench):
    page = bench("demo/pad-test/machine.toml")
    page.ask("touch", pad=1, button="a", down=True)
    page.seconds(0.2)
    down = page.machine.cards[4].words()
    page.ask("touch", pad=1, button="a", down=False)
    page.seconds(0.2)
    assert page.machine.cards[4].words() != down


def test_lamps_buttons_and_terminals(bench):
    page = bench("demo/monitor/machine.toml")
    looks = page.ask("looks")
    assert looks["screen"] is None
    assert [card["labels"] for card in looks["buttons"]] == [["left", "right"]]
    page.seconds(1)
    page.ask("terminal", number=0, text="help")
    page.ask("terminal", number=0, code="Enter")
    page.seconds(1)
    state = page.ask("state")
    assert any("help" in line for line in state["terminals"][0]["lines"])
    assert len(state["lamps"][0]) == 8
    page.ask("push", slot=8, label="left", down=True)
    page.ask("push", slot=8, label="left", down=True)
    page.seconds(0.1)
    page.ask("push", slot=8, label="left", down=False)
    assert "no button" in page.ask("push", slot=8, label="middle", down=True)["problem"]


def test_typing_goes_to_the_keyboard_and_a_machine_without_one_says_so(bench):
    page = bench("demo/keyboard-test/machine.toml")
    page.seconds(1)
    assert page.ask("type", text="AB\n") == {"characters": 3}
    page.seconds(1)
    assert "1C" in page.ask("text")["text"]  # the scan code of A
    other = bench("demo/monitor/machine.toml")
    assert "no keyboard" in other.ask("type", text="A")["problem"]


def own_rom(tmp_path, name, data):
    path = tmp_path / name
    path.write_bytes(data)
    return str(path)


def test_a_visitors_image_runs_on_the_board_and_the_published_one_comes_back(bench, tmp_path):
    page = bench()
    # loop: INC $0200, JMP loop at $8000
    image = bytearray(b"\xff" * 0x8000)
    image[:6] = bytes((0xEE, 0x00, 0x02, 0x4C, 0x00, 0x80))
    image[0x7FFC:0x7FFE] = bytes((0x00, 0x80))
    raw = own_rom(tmp_path, "own.bin", bytes(image))
    labels = own_rom(tmp_path, "own.labels", b"loop = $8000\n")
    looks = page.ask("load", files=[labels, raw])
    assert "problem" not in looks, looks
    page.seconds(0.2)
    assert page.machine.labels["loop"] == 0x8000
    assert page.machine.disassemble(0x8000, 1)[0].text.startswith("INC")
    assert any("loop" in line for line in page.ask("inside")["lines"])
    page.ask("own")
    page.seconds(2)
    assert "PRESS START" in page.ask("text")["text"]


@pytest.mark.parametrize(
    ("content", "said"),
    [([b"loop = $8000\n"], "no image"), ([bytes(200), bytes(300)], "several images"), ([bytes(0x10001)], "own-0")],
)
def test_files_that_are_no_rom_are_refused_in_words_and_the_machine_goes_on(bench, tmp_path, content, said):
    page = bench()
    files = [own_rom(tmp_path, f"own-{number}", data) for number, data in enumerate(content)]
    before = page.machine
    assert said in page.ask("load", files=files)["problem"]
    assert page.machine is before
    page.frames(2)
    assert page.machine.cycle > 0


def test_what_happened_is_a_recording_that_plays_on_a_desktop(bench, tmp_path):
    page = bench()
    page.seconds(2)
    page.ask("key", code="Enter", down=True)
    page.seconds(0.5)
    page.ask("power")
    page.seconds(0.5)
    saved = tmp_path / "saved.rec"
    saved.write_bytes(page.host.recording())
    player = replay(Machine.load("demo:marlpit"), saved)
    assert player.compared >= 2
    assert player.machine.state_hashes() == page.machine.state_hashes()


def test_a_card_that_fails_stops_the_machine_with_its_words_and_power_helps(bench, monkeypatch):
    page = bench()

    def fails(**_):
        raise SimkitError("The card is broken.", remedy="Mend it.")

    run = page.machine.run
    monkeypatch.setattr(page.machine, "run", fails)
    page.frames(2)
    state = page.ask("state")
    assert (state["going"], state["failure"]) == (False, "The card is broken.\nMend it.")
    monkeypatch.setattr(page.machine, "run", run)
    page.ask("power")
    page.frames(2)
    assert page.ask("state")["failure"] == ""


def test_every_answer_is_json_without_anything_that_is_no_text(bench):
    page = bench()
    page.seconds(1)
    for do in ("looks", "state", "inside", "findings", "text"):
        answer = page.host.ask(json.dumps({"do": do}))
        assert json.loads(answer)
        assert answer.isascii()
