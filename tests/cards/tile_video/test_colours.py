"""The colours of the 9918A family: what a picture tube made of the maker's levels, and the other readings."""

import itertools

import numpy as np
import pytest
from simkit_cards.tile_video.colours import COLOUR_NAMES, LEVELS, READINGS, palette
from simkit_cards.tile_video.settings import TileVideoSettings
from simkit_cards.tile_video.tube import LUMINANCE, TO_SCREEN, shown

# Levels, and what they are on a screen: as printed; on a monitor board; on a tube. The last were worked out with the
# library colour-science 0.4.7 (its NTSC (1953) and sRGB spaces, Bradford adaptation, IEC 61966-2-1 encoding).
COLOURS = (
    "0.00 0.47 0.47    0   0   0    0   0   0    0   0   0",
    "0.00 0.47 0.47    0   0   0    0   0   0    0   0   0",
    "0.53 0.07 0.20   33 200  66   19 222   0    0 185 110",
    "0.67 0.17 0.27   94 220 120   84 235  67    0 211 134",
    "0.40 0.40 1.00   84  85 237   82  59 255   42 106 244",
    "0.53 0.43 0.93  125 118 252  124  95 255  112 134 255",
    "0.47 0.83 0.30  212  82  77  225  84  32  249  73  66",
    "0.73 0.00 0.70   66 236 245   50 233 255    0 228 234",
    "0.53 0.93 0.27  252  85  84  255  87  32  255 117 116",
    "0.67 0.93 0.27  255 121 120  255 123  67  255 169 168",
    "0.73 0.57 0.07  212 193  84  215 212   0  226 189  64",
    "0.80 0.57 0.17  230 206 128  233 219  49  244 202 119",
    "0.47 0.13 0.23   33 176  59   21 194   0    0 163  96",
    "0.53 0.73 0.67  201  91 186  211  77 239  231  97 190",
    "0.80 0.47 0.47  204 204 204  204 204 204  205 205 205",
    "1.00 0.47 0.47  255 255 255  255 255 255  255 255 255",
)
COLOURED = range(2, 14)


@pytest.mark.parametrize(("number", "row"), list(enumerate(COLOURS)))
def test_every_colour_follows_the_makers_levels(number, row):
    """Texas Instruments, TMS9918A/28A/29A Data Manual, 1982, table 2-3, and the weights of ITU-R BT.601; for a monitor
    board the factors 1.14 and 2.03 of application report SPPA004. Tests of programs compare colour numbers."""
    levels = tuple(float(level) for level in row.split()[:3])
    numbers = tuple(int(number) for number in row.split()[3:])
    assert LEVELS[number] == levels
    assert palette("plain")[number] == numbers[:3]
    assert palette("monitor board")[number] == numbers[3:6]
    assert palette("tube")[number] == numbers[6:]
    assert palette("plain", "grey")[number] == (int(levels[0] * 255 + 0.5),) * 3
    assert palette("tube", "grey")[number] == shown(levels[0], levels[0], levels[0])
    assert {palette(reading, "black")[number] for reading in READINGS} == {(0, 0, 0)}


@pytest.mark.parametrize("reading", READINGS)
def test_without_colour_there_are_eight_levels_of_grey(reading):
    """Public engineering notes count eight."""
    greys = set(palette(reading, "grey"))
    assert len(greys) == 8
    assert all(len(set(grey)) == 1 for grey in greys)


def lights(red, green, blue, white):
    """Matrix from three lights, each x and y, to XYZ; as much of each that together they are the white."""
    xyz = np.array([(x / y, 1, (1 - x - y) / y) for x, y in (red, green, blue)]).T
    return xyz * np.linalg.solve(xyz, (white[0] / white[1], 1, (1 - white[0] - white[1]) / white[1]))


SYSTEM_M = lights((0.67, 0.33), (0.21, 0.71), (0.14, 0.08), (0.310, 0.316))
SRGB = lights((0.64, 0.33), (0.30, 0.60), (0.15, 0.06), (0.3127, 0.3290))
CONES = np.array([(0.8951, 0.2664, -0.1614), (-0.7502, 1.7135, 0.0367), (0.0389, -0.0685, 1.0296)])


def test_the_tubes_phosphors_and_white_are_those_of_the_standard_of_1953():
    """ITU-R BT.470-6, 1998, system M; IEC 61966-2-1:1999; K. M. Lam's matrix as in ICC.1:2010, annex E; from memory.
    The same phosphors gave the standard its weights of luminance, 0.299, 0.587, 0.114 in ITU-R BT.601."""
    whites = [CONES @ matrix.sum(axis=1) for matrix in (SRGB, SYSTEM_M)]
    to_screen = np.linalg.inv(CONES @ SRGB) @ np.diag(whites[0] / whites[1]) @ CONES @ SYSTEM_M
    assert np.allclose(TO_SCREEN, to_screen, atol=6e-6)
    assert np.allclose(LUMINANCE, SRGB[1], atol=6e-6)
    assert np.allclose(SYSTEM_M[1], (0.299, 0.587, 0.114), atol=1e-3)


def lab(reading):
    """(16, 3) of CIE 1976 L*, a*, b* (CIE 15:2004, 8.2.1), white D65; a difference of 2.3 is just seen, from memory."""
    numbers = np.array(palette(reading)) / 255
    linear = np.where(numbers <= 0.04045, numbers / 12.92, ((numbers + 0.055) / 1.055) ** 2.4)
    part = linear @ SRGB.T / SRGB.sum(axis=1)
    root = np.where(part > 216 / 24389, np.cbrt(part), (24389 / 27 * part + 16) / 116)
    x, y, z = root.T
    return np.array((116 * y - 16, 500 * (x - y), 200 * (y - z))).T


@pytest.mark.parametrize("other", READINGS[1:])
def test_the_default_is_far_from_the_other_readings(other):
    """Ten of the twelve colours by more than 10 in CIE 1976 L*a*b*; none is nearly the same number."""
    default = TileVideoSettings().colours
    assert default == "tube"
    apart = np.linalg.norm(lab(default) - lab(other), axis=1)
    assert sum(apart[number] > 10 for number in COLOURED) >= 10
    for number in COLOURED:
        assert np.abs(np.subtract(palette(default)[number], palette(other)[number])).max() > 3, COLOUR_NAMES[number]


def test_all_fifteen_colours_can_be_told_apart_and_are_what_their_names_say():
    """Pairs differ by 9 and more in CIE 1976 L*a*b*. Hue angles of the families lie apart, and what is called light is
    lighter than what is called medium or dark."""
    colours = lab("tube")
    assert min(np.linalg.norm(colours[a] - colours[b]) for a, b in itertools.combinations(range(1, 16), 2)) > 9
    numbers = {name: number for number, name in enumerate(COLOUR_NAMES)}
    lightness = {name: colours[number][0] for name, number in numbers.items()}
    assert lightness["dark green"] < lightness["medium green"] < lightness["light green"]
    assert lightness["dark red"] < lightness["medium red"] < lightness["light red"]
    assert lightness["dark blue"] < lightness["light blue"]
    assert lightness["dark yellow"] < lightness["light yellow"]
    hues = {  # degrees: +a* is 0, +b* 90; the unique hues lie near 25, 90, 165 and 255 (R. W. G. Hunt, from memory)
        "red": (10, 50), "yellow": (70, 100), "green": (135, 175), "cyan": (180, 215), "blue": (260, 305),
        "magenta": (320, 355),
    }  # fmt: skip
    for number in COLOURED:
        low, high = hues[COLOUR_NAMES[number].split()[-1]]
        _, a, b = colours[number]
        assert low < np.degrees(np.arctan2(b, a)) % 360 < high, COLOUR_NAMES[number]
    for name, level in (("black", 0), ("white", 255)):
        assert set(palette("tube")[numbers[name]]) == {level}
    assert len(set(palette("tube")[numbers["grey"]])) == 1


def test_a_colour_that_the_screen_cannot_show_keeps_its_luminance():
    """The tube's green lies outside sRGB: it is shown paler and as light as it was."""
    lit = np.array(shown(0, 0.6, 0)) / 255
    linear = np.where(lit <= 0.04045, lit / 12.92, ((lit + 0.055) / 1.055) ** 2.4)
    assert min(lit) == 0
    assert linear @ SRGB[1] == pytest.approx(0.587 * 0.6**2.2, abs=0.01)
    assert shown(-0.2, 0.5, 0.5) == shown(0, 0.5, 0.5)  # a gun below black gives no light
    assert shown(1.2, 1.2, 1.2) == (255, 255, 255)
