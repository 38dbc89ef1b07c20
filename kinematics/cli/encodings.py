"""Text as a stream and a terminal can take it: what an encoding cannot hold is told in characters that it can, and what
would act on a terminal (escapes, control characters, marks that turn the direction of writing) is shown, not sent.
"""

from __future__ import annotations

import codecs
import io
import json
import re
import sys
import unicodedata

HANDLER = "kinematics-plain"
# Control characters, breaks of lines, and marks without a look of their own (Unicode's classes Cc, Cf, Zl and Zp).
ACTING = re.compile(
    "[\x00-\x1f\x7f-\x9f\xad\u0600-\u0605\u061c\u06dd\u070f\u08e2\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f"
    "\ufeff\ufff9-\ufffb\U000110bd\U000110cd\U0001bca0-\U0001bca3\U0001d173-\U0001d17a\U000e0001\U000e0020-\U000e007f]"
)
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


def harmless(text: str) -> str:
    """A line or a cell of a table with what acts on a terminal shown as it is written in Python: `\\x1b`."""
    return text if text.isprintable() else ACTING.sub(lambda found: found[0].encode("unicode_escape").decode(), text)


def harmless_json(text: str) -> str:
    """A document with the same characters inside its strings written as JSON writes them: `\\u001b`."""
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
