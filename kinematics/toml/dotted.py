"""The parts of dotted keys: to text and back, as TOML writes them."""

from __future__ import annotations

import re

Names = tuple[str, ...]

# A part in double or single quotes; any other part is bare, and taken as it comes up to the next dot.
_QUOTED = re.compile(r"""\s*(?P<part>"(?:[^"\\]|\\.)*"|'[^']*')\s*(?=\.|$)""", re.DOTALL)
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_ESCAPE = re.compile(r"\\(?:u([0-9a-fA-F]{4})|U([0-9a-fA-F]{8})|(.))", re.DOTALL)
_ESCAPED = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r"}
_LARGEST_CODE = 0x10FFFF


def quoted(name: str) -> str:
    """A part of a dotted key as it is written: in quotes only where it must be, on one line."""
    if _BARE.fullmatch(name):
        return name
    text = name.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(letter if letter.isprintable() else _escaped(ord(letter)) for letter in text) + '"'


def _escaped(code: int) -> str:
    return f"\\u{code:04X}" if code < 1 << 16 else f"\\U{code:08X}"


def split_key(text: str) -> Names:
    """The parts of a dotted key; in quotes, as TOML has them, a part may hold dots and quotes. Bare parts may hold
    anything but a dot: "motion.by_label.outer wall" has three parts.
    """
    parts: list[str] = []
    place = 0
    while True:
        found = _QUOTED.match(text, place)
        if found:
            end = found.end()
            parts.append(unquoted(found["part"]))
        else:
            end = text.find(".", place)
            end = len(text) if end < 0 else end
            parts.append(text[place:end].strip())
        if end >= len(text):
            return tuple(parts)
        place = end + 1


def unquoted(text: str) -> str:
    """Text without the quotes around it; "…" knows escapes, '…' does not."""
    return text[1:-1] if text[0] == "'" else _ESCAPE.sub(_unescaped, text[1:-1])


def _unescaped(escape: re.Match[str]) -> str:
    if escape[3]:
        return _ESCAPED.get(escape[3], escape[3])
    code = int(escape[1] or escape[2], 16)
    return chr(code) if code <= _LARGEST_CODE else escape[0]
