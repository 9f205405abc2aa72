"""The colours of pictures and films, safe for colour-blind eyes.

Chosen here, not taken from a chart: charcoal tyres and pale rims frame the linkage; what steers is
amber, what carries from below deep blue, from above pale blue; the warning red is used for nothing
else and always comes with stripes and a label. The values are the end of a search that kept every
two of `TOLD_APART` at least 16 apart in CIE L*a*b* for common sight and three kinds of
colour-blindness alike; `tests/test_scene.py` measures that again.
"""

from __future__ import annotations

from enum import Enum

Rgb = tuple[int, int, int]


class Paint(Enum):
    """What a thing is painted as; the value is its colour, red, green, blue of 255."""

    TYRE = (0x24, 0x28, 0x2E)
    RIM = (0xD3, 0xD8, 0xDE)
    KNUCKLE = (0x55, 0x56, 0x57)
    ARM = (0x1B, 0x5F, 0xAE)
    UPPER_LINK = (0x6F, 0xBD, 0xEB)
    STEERING = (0xF2, 0xB3, 0x1B)
    DAMPER = (0x7E, 0x8F, 0xA3)
    SPRING = (0x5A, 0x22, 0x7C)
    DRIVESHAFT = (0x86, 0x56, 0x10)
    PLATE = (0x2C, 0x92, 0x76)
    WARNING = (0xEF, 0x3A, 0x38)
    JOINT = (0xE9, 0xEC, 0xF0)
    SHELL = (0x9A, 0xA6, 0xB5)
    PAD = (0xCB, 0xD2, 0xDC)
    SHADOW = (0x10, 0x16, 0x20)
    GHOST = (0x2C, 0x5F, 0xB8)

    @property
    def rgb(self) -> Rgb:
        return self.value

    @property
    def hex(self) -> str:
        return "#{:02x}{:02x}{:02x}".format(*self.value)


# The paints that tell parts apart; the others are told by shape, or by being see-through.
TOLD_APART = (
    Paint.TYRE,
    Paint.RIM,
    Paint.KNUCKLE,
    Paint.ARM,
    Paint.UPPER_LINK,
    Paint.STEERING,
    Paint.DAMPER,
    Paint.SPRING,
    Paint.DRIVESHAFT,
    Paint.PLATE,
    Paint.WARNING,
)

SEE_THROUGH = {Paint.SHELL: 0.24, Paint.PAD: 0.6}

SKY: Rgb = (0xFA, 0xFB, 0xFD)
FLOOR: Rgb = (0xD5, 0xDC, 0xE6)
INK: Rgb = (0x16, 0x1D, 0x27)
FADED_INK: Rgb = (0x56, 0x62, 0x72)
PAPER: Rgb = (0xFF, 0xFF, 0xFF)
HAIRLINE: Rgb = (0xB4, 0xBE, 0xCB)
