"""Slug Watch on Marlpit, played through the pytest plug-in: pads and keys in, memory and picture out."""

import numpy as np
import pytest

MARLPIT = "demo/marlpit"
TITLE_SHOWN = "1s"
TITLE, PLAYING, LEVEL_CLEAR, GAME_OVER, PAUSED = range(5)
CREEPING, EATING, CAUGHT = 1, 2, 3
LIGHT_BLUE, LIGHT_RED = 5, 9  # the two gardeners' jackets
DARK_RED = 6  # soil
SLUGS = 8
DIRECTIONS = {"right": (1, 0), "left": (-1, 0), "down": (0, 1), "up": (0, -1)}


class Player:
    """Hands and eyes: a machine with the few things a player does."""

    def __init__(self, machine):
        self.m = machine

    def value(self, name, n=1):
        data = self.m.peek(self.m.labels[name], n)
        return data if n > 1 else data if isinstance(data, int) else data[0]

    def set(self, name, value, index=0):
        self.m.poke(self.m.labels[name] + index, value)

    @property
    def state(self):
        return self.value("GAME_STATE")

    def score(self, name="SCORE"):
        return int(self.value(name, 3).hex())

    def place(self, number=1):
        return self.value(f"PLAYER{number}_X"), self.value(f"PLAYER{number}_Y")

    def tap(self, button, pad=1):
        self.m.pads[pad].press(button)
        self.m.run(frames=3)
        self.m.pads[pad].release(button)
        self.m.run(frames=3)

    def tap_key(self, key):
        self.m.keys.press(key)
        self.m.run(frames=3)
        self.m.keys.release(key)
        self.m.run(frames=3)

    def wait(self, condition, frames=600):
        for _ in range(frames):
            if condition():
                return
            self.m.run(frames=1)
        raise AssertionError(f"not within {frames} frames; the screen shows:\n{self.m.screen.text()}")

    def seen(self, colour):
        """Middle of the dots of a colour in the garden, or None."""
        rows, columns = np.nonzero(self.m.screen.pixels[8:] == colour)
        return (columns.mean(), rows.mean() + 8) if len(rows) else None

    def slugs(self):
        """(number, x, y) of the slugs that are about."""
        states, xs, ys = (self.value(name, SLUGS) for name in ("SLUG_STATE", "SLUG_X", "SLUG_Y"))
        return [(n, xs[n], ys[n]) for n in range(SLUGS) if states[n] in (CREEPING, EATING)]

    def chase(self, number=1, frames=4):
        """Walk towards the nearest slug and press A when there. Returns whether A was pressed."""
        x, y = self.place(number)
        pad = self.m.pads[number]
        near = min(self.slugs(), key=lambda slug: abs(slug[1] - x) + abs(slug[2] - y), default=None)
        if near is None:
            self.m.run(frames=frames)
            return False
        across, down = near[1] - x, near[2] - y
        if abs(across) < 8 and abs(down) < 8:
            pad.press("a")
            self.m.run(frames=2)
            pad.release("a")
            self.m.run(frames=2)
            return True
        held = [name for name, (dx, dy) in DIRECTIONS.items() if across * dx >= 6 or down * dy >= 6]
        pad.press(*held)
        self.m.run(frames=frames)
        pad.release(*held)
        return False


def begin_game(machine):
    """Where most tests begin: a game for one, just started."""
    machine.run(seconds=1)
    Player(machine).tap("start")


@pytest.fixture
def at_title(load_machine):
    player = Player(load_machine(MARLPIT, boot=TITLE_SHOWN))
    yield player
    assert list(player.m.findings) == []


@pytest.fixture
def in_game(load_machine):
    player = Player(load_machine(MARLPIT, boot=begin_game))
    assert player.state == PLAYING
    yield player
    assert list(player.m.findings) == []


def lose(player):
    """Let greedy slugs eat the last of a thin bed until the game is over."""
    for lettuce in range(14):
        player.set("LETTUCE_BITES", 0, lettuce)
    player.set("LETTUCES_LEFT", 10)
    player.set("SLUG_SPEED", 255)
    player.set("BITE_FRAMES", 2)
    player.set("ARRIVAL_FRAMES", 10)
    player.set("SLUGS_AT_ONCE", 8)
    player.wait(lambda: player.state == GAME_OVER, frames=1500)
    player.m.run(frames=3)


# --- title ------------------------------------------------------------------------------------------------------------


def test_title_invites_to_play(at_title):
    text = at_title.m.screen.text()
    assert "NIGHT IN THE VEGETABLE BEDS" in text
    assert "PRESS START OR ENTER" in text
    assert at_title.state == TITLE


def test_title_letters_are_the_font_three_times_as_big(at_title):
    """The first letter, rows 4 to 6 of tiles from column 2: each dot of the font's S became 3 x 3 dots."""
    lit = at_title.m.screen.pixels[32:56, 16:40] != 1
    address = at_title.m.labels["font"] + 8 * (ord("S") - 0x20)
    small = np.unpackbits(np.frombuffer(at_title.m.peek(address, 8), np.uint8)).reshape(8, 8)
    assert small.any()
    assert np.array_equal(lit, np.kron(small, np.ones((3, 3))) != 0)


@pytest.mark.parametrize("seed", [2, 77])
def test_title_does_not_depend_on_what_memory_held_at_power_up(at_title, load_machine, seed):
    other = load_machine(MARLPIT, seed=seed, boot=TITLE_SHOWN)
    assert other.screen.text() == at_title.m.screen.text()
    assert np.array_equal(other.screen.pixels[:120], at_title.m.screen.pixels[:120])
    assert list(other.findings) == []


@pytest.mark.parametrize("button", ["start", "a"])
def test_pad_begins_a_game_for_one(at_title, button):
    at_title.tap(button)
    assert at_title.state == PLAYING
    assert (at_title.value("PLAYER1_ON"), at_title.value("PLAYER2_ON")) == (1, 0)


@pytest.mark.parametrize("key", ["enter", "keypad enter", "space"])
def test_keyboard_begins_a_game(at_title, key):
    at_title.tap_key(key)
    assert at_title.state == PLAYING


def test_start_on_pad_2_begins_a_game_for_two(at_title):
    at_title.tap("start", pad=2)
    assert at_title.state == PLAYING
    assert (at_title.value("PLAYER1_ON"), at_title.value("PLAYER2_ON")) == (1, 1)


def test_typed_return_is_enough(at_title):
    """A typed key goes down and up within a frame; the press must not be lost between two looks."""
    at_title.m.keys.type("\n")
    at_title.m.run(frames=10)
    assert at_title.state == PLAYING


# --- walking ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("device", ["pad", "keyboard"])
@pytest.mark.parametrize("direction", DIRECTIONS)
def test_holding_a_direction_moves_the_gardener_in_memory_and_picture(in_game, device, direction):
    """Three dots in two frames, the same way on the screen."""
    player = in_game
    player.m.run(frames=4)
    hold, let_go = {
        "pad": (player.m.pads[1].press, player.m.pads[1].release),
        "keyboard": (player.m.keys.press, player.m.keys.release),
    }[device]
    hold(direction)
    player.m.run(frames=4)  # the drawing turns; its shape differs from side to side
    start, seen = player.place(), player.seen(LIGHT_BLUE)
    player.m.run(frames=16)
    end, seen_end = player.place(), player.seen(LIGHT_BLUE)
    dx, dy = DIRECTIONS[direction]
    assert (end[0] - start[0], end[1] - start[1]) == (24 * dx, 24 * dy)
    assert seen_end[0] - seen[0] == pytest.approx(24 * dx, abs=1)
    assert seen_end[1] - seen[1] == pytest.approx(24 * dy, abs=1)
    let_go(direction)
    player.m.run(frames=4)
    rest = player.place()
    player.m.run(frames=10)
    assert player.place() == rest


@pytest.mark.parametrize(("buttons", "corner"), [(("left", "up"), (8, 16)), (("right", "down"), (232, 168))])
def test_the_hedge_stops_the_gardener(in_game, buttons, corner):
    in_game.m.pads[1].press(*buttons)
    in_game.m.run(frames=110)
    assert in_game.place() == corner


def test_keys_that_the_game_does_not_know_leave_nothing_behind(in_game):
    """Long sequences among them: Pause (eight codes, no release), Print Screen (fake shifts), F7 ($83)."""
    before = in_game.place()
    for key in ("pause", "print screen", "f7", "right alt", "keypad 8", "delete", "q"):
        in_game.tap_key(key)
        assert in_game.value("KEYS_HELD") == 0, key
    assert in_game.place() == before
    in_game.m.keys.press("right")
    in_game.m.run(frames=6)
    assert in_game.place()[0] > before[0]


def test_no_frame_is_lost_while_the_keyboard_keeps_calling(in_game):
    """Keyboard and video share the interrupt line; every frame counts, and every key comes through."""
    player = in_game

    def counted():
        low, high = player.value("FRAME_COUNT", 2)
        return low + 256 * high

    before, shown = counted(), player.m.screen.port.frames(player.m.cycle)
    end = player.m.keys.type("the quick brown fox jumps over the lazy dog " * 2)
    player.m.run(cycles=end - player.m.cycle)
    player.m.run(frames=3)
    assert player.m.screen.port.frames(player.m.cycle) - shown > 30
    assert counted() - before == player.m.screen.port.frames(player.m.cycle) - shown
    assert player.value("KEYS_HELD") == 0


def test_a_pad_pulled_out_presses_nothing(in_game):
    in_game.m.pads[1].press("right")
    in_game.m.run(frames=6)
    in_game.m.pads[1].unplug()
    in_game.m.run(frames=3)
    before = in_game.place()
    in_game.m.run(frames=20)
    assert in_game.place() == before
    assert in_game.state == PLAYING


# --- two gardeners ----------------------------------------------------------------------------------------------------


def test_second_gardener_joins_with_start_on_pad_2(in_game):
    player = in_game
    assert "START?" in player.m.screen.text()
    assert player.seen(LIGHT_RED) is None
    player.tap("start", pad=2)
    assert player.state == PLAYING
    assert player.value("PLAYER2_ON") == 1
    assert "START?" not in player.m.screen.text()
    first, second = player.place(1), player.place(2)
    seen = player.seen(LIGHT_RED)
    player.m.pads[2].press("down")
    player.m.pads[1].press("left")
    player.m.run(frames=16)
    assert player.place(1) == (first[0] - 24, first[1])
    assert player.place(2) == (second[0], second[1] + 24)
    assert player.seen(LIGHT_RED)[1] > seen[1] + 18


# --- slugs and scores -------------------------------------------------------------------------------------------------


def test_a_gardener_who_presses_a_on_a_slug_scores(in_game):
    player = in_game
    to_catch = player.value("SLUGS_TO_CATCH")
    player.wait(lambda: player.slugs())
    player.wait(player.chase, frames=300)
    assert player.score() == 10
    assert player.value("SLUGS_TO_CATCH") == to_catch - 1
    assert CAUGHT in player.value("SLUG_STATE", SLUGS)
    player.m.run(frames=2)
    assert "000010" in player.m.screen.text()


def test_pressing_a_far_from_any_slug_does_nothing(in_game):
    in_game.wait(lambda: in_game.slugs())
    in_game.tap("a")
    assert in_game.score() == 0
    assert CAUGHT not in in_game.value("SLUG_STATE", SLUGS)


def test_slugs_eat_lettuces_tile_by_tile_in_memory_and_picture(in_game):
    player = in_game
    player.set("SLUG_SPEED", 255)
    player.wait(lambda: EATING in player.value("SLUG_STATE", SLUGS))
    slug = player.value("SLUG_STATE", SLUGS).index(EATING)
    lettuce = player.value("SLUG_TARGET", SLUGS)[slug]
    x, y = (player.value(name, 24)[lettuce] for name in ("lettuce_x", "lettuce_y"))

    def soil():
        """Dots of bare soil in each quarter."""
        quarters = player.m.screen.pixels[y : y + 16, x : x + 16].reshape(2, 8, 2, 8)
        return (quarters == DARK_RED).sum(axis=(1, 3)).ravel()

    assert not soil().any()
    player.set("SLUG_X", 8, slug)  # so that it does not hide what it does; it goes on chewing
    player.m.run(frames=2)
    for left in (3, 2, 1, 0):
        player.wait(lambda left=left: player.value("LETTUCE_BITES", 24)[lettuce] == left)
        player.m.run(frames=3)
        assert soil()[left:].all()
        assert not soil()[:left].any()
    assert player.value("LETTUCES_LEFT") <= 23


def test_level_done_counts_lettuces_and_the_next_is_faster(in_game):
    player = in_game
    speed, bite = player.value("SLUG_SPEED"), player.value("BITE_FRAMES")
    player.set("SLUGS_TO_CATCH", 1)
    player.wait(lambda: player.slugs())
    player.wait(player.chase, frames=300)
    player.wait(lambda: player.state == LEVEL_CLEAR, frames=5)
    player.m.run(frames=3)
    assert "NIGHT IS OVER" in player.m.screen.text()
    left = player.value("LETTUCES_LEFT")
    player.wait(lambda: player.state == PLAYING, frames=200)
    assert player.score() == 10 + 10 * left
    assert player.value("LEVEL") == 2
    assert player.value("LETTUCES_LEFT") == 24
    assert player.value("SLUG_SPEED") > speed
    assert player.value("BITE_FRAMES") < bite
    player.m.run(frames=3)
    assert "LV02" in player.m.screen.text()


def test_hedgehog_eats_slugs_and_likes_to_be_stroked(in_game):
    player = in_game
    player.wait(lambda: player.slugs())
    player.set("HEDGEHOG_TIMER", 1)
    player.wait(lambda: player.value("HEDGEHOG_ON"), frames=10)
    number = player.slugs()[0][0]
    ahead = player.value("HEDGEHOG_X") + (30 if player.value("HEDGEHOG_FACE") == 0 else -30)
    player.set("SLUG_X", ahead, number)
    player.set("SLUG_Y", player.value("HEDGEHOG_Y"), number)
    player.wait(lambda: player.value("SLUG_STATE", SLUGS)[number] == CAUGHT, frames=60)
    assert player.score() == 0
    assert player.value("SLUGS_TO_CATCH") == 8, "what the hedgehog eats does not count"
    player.set("PLAYER1_X", player.value("HEDGEHOG_X"))
    player.set("PLAYER1_Y", player.value("HEDGEHOG_Y"))
    player.tap("a")
    assert player.score() == 50
    player.set("PLAYER1_X", player.value("HEDGEHOG_X"))
    player.tap("a")
    assert player.score() == 50, "once is enough"


# --- pause, end, restart ----------------------------------------------------------------------------------------------


def test_start_pauses_and_goes_on_and_the_garden_is_whole_again(in_game):
    player = in_game
    player.m.run(frames=4)
    before = player.m.screen.pixels.copy()
    player.tap("start")
    assert player.state == PAUSED
    assert "PAUSED" in player.m.screen.text()
    player.m.pads[1].press("right")
    place = player.place()
    player.m.run(frames=10)
    assert player.place() == place
    player.m.pads[1].release("right")
    player.m.run(frames=3)
    player.tap("start")
    assert player.state == PLAYING
    assert "PAUSED" not in player.m.screen.text()
    assert np.array_equal(player.m.screen.pixels, before)


@pytest.mark.parametrize("restart", ["pad start", "enter", "space", "pad 2"])
def test_game_over_and_restart(in_game, restart):
    player = in_game
    player.set("SCORE", 0x12)
    lose(player)
    assert player.value("LETTUCES_LEFT") in (6, 7), "the limit is 8; two may go at once"
    assert "GAME OVER" in player.m.screen.text()
    assert player.value("BEST_SCORE", 3) == bytes([0x12, 0, 0])
    player.tap("start")
    assert player.state == GAME_OVER, "nothing happens within the first second"
    player.m.run(frames=60)
    if restart == "pad start":
        player.tap("start")
    elif restart == "pad 2":
        player.tap("start", pad=2)
    else:
        player.tap_key(restart)
    assert player.state == PLAYING
    assert player.value("PLAYER2_ON") == (restart == "pad 2")
    assert (player.score(), player.value("LEVEL"), player.value("LETTUCES_LEFT")) == (0, 1, 24)
    assert "GAME OVER" not in player.m.screen.text()


def test_title_comes_back_by_itself_and_shows_the_best_score(in_game):
    player = in_game
    player.set("SCORE", 0x12)
    player.set("SCORE", 0x34, 1)
    lose(player)
    player.wait(lambda: player.state == TITLE, frames=300)
    player.m.run(frames=3)
    assert "BEST SCORE  123400" in player.m.screen.text()
    assert "PRESS START" in player.m.screen.text()


@pytest.mark.parametrize("device", ["pad", "keyboard"])
def test_select_or_escape_leaves_the_game(in_game, device):
    if device == "pad":
        in_game.tap("select")
    else:
        in_game.tap_key("escape")
    assert in_game.state == TITLE


def test_reset_in_the_middle_of_a_game_leads_to_the_title(in_game):
    in_game.m.run(frames=20)
    in_game.m.run(cycles=1234)
    in_game.m.reset()
    in_game.m.run(seconds=0.5)
    assert in_game.state == TITLE
    assert "PRESS START" in in_game.m.screen.text()


# --- as a whole -------------------------------------------------------------------------------------------------------


def play(player, frames):
    """Two gardeners hunt; the second has a lie-in."""
    player.tap("start", pad=2)
    end = player.m.cycle + int(frames * player.m.screen.frame_cycles)
    while player.m.cycle < end:
        player.chase(1)
        player.chase(2)
        if player.state == GAME_OVER:
            player.m.run(frames=60)
            player.tap("start", pad=2)


def test_same_inputs_give_the_same_game(load_machine):
    ends = []
    for _ in range(2):
        player = Player(load_machine(MARLPIT, boot=begin_game))
        play(player, 200)
        ends.append((player.m.cycle, player.m.peek(0, 0x400), player.m.screen.pixels.tobytes()))
    assert ends[0] == ends[1]


@pytest.mark.slow
def test_two_gardeners_play_for_a_minute_and_no_rule_of_the_hardware_is_broken(in_game):
    """Slow: a minute of the machine. Video pacing, control pairs, unanswered interrupts, memory never written."""
    play(in_game, 3600)
    assert in_game.score() + in_game.score("SCORE2") >= 100
    assert in_game.value("LEVEL") >= 2


@pytest.mark.slow
def test_an_idle_gardener_loses(in_game):
    """Slow: a minute and a half of the machine, nothing poked."""
    in_game.wait(lambda: in_game.state == GAME_OVER, frames=7200)
    assert in_game.value("LETTUCES_LEFT") == 7
