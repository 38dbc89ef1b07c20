"""Text as a stream and a terminal can take it: what an encoding cannot hold is told in characters that it can, and what
would act on a terminal (escapes, control characters, marks that turn the direction of writing) is shown, not sent.
"""

from __future__ import annotations

import codecs
import io
import sys
import unicodedata

from kinematics.wording import ACTING

HANDLER = "kinematics-plain"
# Plain spellings, none of them longer than it must be; what is not listed loses its accents, or is a question mark.
SPELLINGS = {
    "²": "^2",
    "³": "^3",
    "·": "-",
    "×": "x",
    "°": "",
    "−": "-",
    "–": "-",
    "—": "-",
    "─": "-",
    "━": "-",
    "→": "->",
    "≤": "<=",
    "≥": ">=",
    "√": "sqrt",
    "Σ": "sum",
    "α": "alpha",
    "δ": "delta",
    "ε": "eps",
    "κ": "kappa",
    "π": "pi",
    "ρ": "rho",
    "σ": "sigma",
    "ω": "omega",
    "…": "...",
    "“": '"',
    "”": '"',
    "‘": "'",
    "’": "'",
    "€": "EUR",
    "£": "GBP",
    "█": "#",
    "▉": "#",
    "▊": "#",
    "▋": "#",
    "▌": "#",
    "▍": " ",
    "▎": " ",
    "▏": " ",
}


def spelling(letter: str) -> str:
    """One character in plain ones."""
    if letter in SPELLINGS:
        return SPELLINGS[letter]
    if "\ud800" <= letter <= "\udfff":  # a byte of a file name that is no text
        return f"\\x{ord(letter) & 0xFF:02x}"
    return "".join(one for one in unicodedata.normalize("NFKD", letter) if one.isascii()) or "?"


def harmless_json(text: str) -> str:
    """A document with the same characters inside its strings written as JSON writes them: `\\u001b`."""
    import json

    return ACTING.sub(lambda found: found[0] if found[0] == "\n" else json.dumps(found[0])[1:-1], text)


def _spelled(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(spelling(letter) for letter in error.object[error.start : error.end]), error.end


codecs.register_error(HANDLER, _spelled)


def encodable(text: str, encoding: str) -> str:
    """The text in characters that an encoding has: the same text where it has them all."""
    return text.encode(encoding, HANDLER).decode(encoding)


def let_no_encoding_fail() -> None:
    """Make both streams tell what they cannot hold in characters that they can."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=HANDLER)
