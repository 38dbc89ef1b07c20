"""How the patterns of a dialect meet the text of a file: as whole texts, upper and lower case alike."""

from __future__ import annotations

import re
import warnings


def compiled_pattern(pattern: str) -> re.Pattern[str]:
    """A dialect's pattern, ready for `fullmatch`. Raises re.error; RecursionError, OverflowError for absurd ones."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # remarks of the regular expressions' own future are not for the user
        return re.compile(pattern, re.IGNORECASE)


def text_from(raw: bytes) -> str:
    """Bytes of a job file as text: UTF-8, or Latin-1 where they are none; never fails."""
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")
