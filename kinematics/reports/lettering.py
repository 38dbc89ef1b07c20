"""Foreign words in a picture: none too long for their place, none in letters that its font lacks, none a formula."""

from __future__ import annotations

from functools import cache
from typing import Any

from kinematics.wording import harmless

TITLE, NAME = 90, 40  # letters that a line across the picture has room for, and the name of a bar or a line
CUT = "…"


def shaped(text: str) -> str:
    """A text in letters that the font of pictures has shapes for, all others spelled as Python does."""
    text = harmless(text.encode("utf-8", "backslashreplace").decode())
    return "".join(letter if _has_shape(letter) else letter.encode("unicode_escape").decode() for letter in text)


def lettered(text: str, most: int) -> str:
    """A text as a picture takes it: the middle of a long one is left out, letters that the font has no shape for are
    spelled as Python does, dollar signs begin no formula.
    """
    text = shaped(text)
    if len(text) > most:
        text = f"{text[: most // 2]}{CUT}{text[-(most - most // 2 - 1) :]}"
    return text.replace("$", r"\$")


@cache
def _has_shape(letter: str) -> bool:
    """Whether the font of pictures has a shape for a letter."""
    return letter.isascii() or bool(_font().get_char_index(ord(letter)))


@cache
def _font() -> Any:
    from matplotlib import font_manager

    return font_manager.get_font(font_manager.findfont(font_manager.FontProperties()))
