"""From the voltages at a colour picture tube's three guns to the numbers that show its colour on a screen of today.

    gun voltage -> light of its phosphor -> CIE XYZ, from the tube's white to the screen's -> linear sRGB -> sRGB

Sources, from memory, and in agreement with the data sets of the library colour-science 0.4.7:
    [470] ITU-R BT.470-6, Conventional television systems, 1998, system M, and 47 CFR 73.682(a)(20)(iv), the NTSC
        standard of 1953: phosphors at x, y of 0.67 0.33 (red), 0.21 0.71 (green), 0.14 0.08 (blue); white C at 0.310
        0.316; gamma 2.2. Tubes that were sold came to have weaker phosphors; the standard kept these.
    [SRGB] IEC 61966-2-1:1999: the same of a screen, 0.64 0.33, 0.30 0.60, 0.15 0.06, white D65 at 0.3127 0.3290; and
        the encoding.
    [LAM] K. M. Lam's matrix, 1985, as in ICC.1:2010, annex E: an eye that is used to white C sees it as white.
"""

from __future__ import annotations

GAMMA = 2.2  # [470]

TO_SCREEN = (
    (1.48616, -0.40355, -0.08260),
    (-0.02510, 0.95402, 0.07108),
    (-0.02722, -0.04410, 1.07132),
)
"""Rows: red, green, blue light of the screen; columns: of the tube. [470], [LAM] and [SRGB] multiplied into one."""

LUMINANCE = (0.21264, 0.71517, 0.07219)  # of the screen's lights, from [SRGB]


def shown(red: float, green: float, blue: float) -> tuple[int, int, int]:
    """What a screen needs, 0 to 255 each, to look like the tube.

    A gun below black gives no light; above white it gives more than white's, as a tube does not stop there. A colour
    that the screen cannot show is mixed with as much grey of its own luminance as is needed: the dominant wavelength
    and the luminance stay, it becomes paler.

    Args:
        red, green, blue: voltages at the guns, 0 black, 1 white.
    """
    guns = [max(gun, 0.0) ** GAMMA for gun in (red, green, blue)]
    lights = [sum(part * gun for part, gun in zip(row, guns, strict=True)) for row in TO_SCREEN]
    grey = min(sum(part * light for part, light in zip(LUMINANCE, lights, strict=True)), 1.0)
    kept = 1.0
    for light in lights:
        if light < 0.0:
            kept = min(kept, grey / (grey - light))
        elif light > 1.0:
            kept = min(kept, (1.0 - grey) / (light - grey))
    numbers = [_encoded(grey + (light - grey) * kept) for light in lights]
    return numbers[0], numbers[1], numbers[2]


def _encoded(light: float) -> int:
    """Linear light, 0 to 1 but for rounding, as a number of eight bits by [SRGB]."""
    light = min(max(light, 0.0), 1.0)
    level = 12.92 * light if light <= 0.0031308 else 1.055 * light ** (1 / 2.4) - 0.055
    return int(level * 255 + 0.5)
