"""The one typeface of papers and pictures: DejaVu Sans, which matplotlib carries with it.

It has the letters of every European language and their signs, so that a name reads the same on
each machine; what it lacks (Chinese, Japanese, Korean ...) shows as an empty box.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import matplotlib

CORE_CODING = "cp1252"  # all letters of the fonts that every PDF reader has of its own


def regular() -> Path:
    return _folder() / "DejaVuSans.ttf"


def bold() -> Path:
    return _folder() / "DejaVuSans-Bold.ttf"


def _folder() -> Path:
    return Path(matplotlib.get_data_path()) / "fonts" / "ttf"


def in_every_reader(words: str) -> bool:
    """Whether the fonts that every PDF reader has of its own hold all these letters."""
    try:
        words.encode(CORE_CODING)
    except UnicodeEncodeError:
        return False
    return True


@contextmanager
def boxes_for_unknown_letters() -> Iterator[None]:
    """No warning for a letter the typeface lacks: its box is seen on the paper itself."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", r"Glyph .* missing from", UserWarning)
        yield
