"""A slow, obvious twin of the G-code reader, in plain Python: strings, regular expressions, float().

It is written from the rules alone, never from the fast reader, so that the two can be held against each other
byte for byte. Units: mm, s, mm/s; mm/min only where the file speaks. Arc and word-order rules of the `rs274`
dialect: Kramer, Proctor and Messina 2000 (NISTIR 6556), sections 3.3 to 3.6 and Table 8.
"""

from __future__ import annotations

import re
from decimal import Decimal
from functools import reduce
from math import inf
from operator import xor

from .layers_twin import layers_of
from .reader_twin_arcs import Point, Words
from .reader_twin_state import NaiveError, NaiveJob, Reader, Reading
from .reader_twin_words import (
    DISTANCES,
    ENDS,
    FINISH,
    GROUPS,
    LIMIT_WORDS,
    LIMITS,
    LONGEST_LINE,
    MOST_M_WORDS,
    MOTIONS,
    OTHER_AXES,
    PLAIN,
    PLANES,
    PROBES,
    STANDARD_FEED_MODES,
    STANDARD_LETTERS,
    STANDARD_PAUSES,
    STANDARD_WORDS,
    UNITS,
    NaiveLimit,
)

__all__ = ["NaiveError", "NaiveJob", "Reading", "read"]

USABLE = "XYZEFIJKR" + OTHER_AXES  # words that mean something to a motion, or might

TOKEN = re.compile(r"([A-Z])[ \t]*([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))?|([^ \t])")
COMMENT = re.compile(r";.*|\([^)]*\)?", re.DOTALL)
CLOSED_COMMENT = re.compile(r"\([^()]*\)")
MESSAGE = re.compile(r"M[ \t]*\+?0*11[78](?:\.0*)?(?![0-9.])")
CHECKSUM = re.compile(r"\*([0-9]+)[ \t]*\Z")
OTHER_CHARACTER = re.compile(r"[^A-Z0-9+\-. \t]")
WORD_LIKE = re.compile(r"[A-Z](?![A-Z])|[0-9]|[-+.*][0-9]")  # how a line of G-code begins, damaged or not
EXPONENT = re.compile(r"[0-9]E[+-][0-9][0-9]+(?![0-9.])")
LINE_NUMBER = re.compile(r"N[0-9]{1,5}(?![0-9.])")
CODE_TOLERANCE = Decimal("0.0001")


def read(
    text: bytes, dialect: str = "extrusion", reading: Reading | None = None, home: Point | None = None
) -> NaiveJob:
    """Read a whole file in the dialect `extrusion` or `rs274`; raises NaiveError in `rs274` alone."""
    reading = reading or Reading()
    if home is not None:
        reading = reading._replace(home=home)
    reader = {"extrusion": Extrusion, "rs274": Standard}[dialect](reading)
    for number, line in enumerate(text.removeprefix(b"\xef\xbb\xbf").splitlines(), 1):  # of bytes: at LF, CRLF and CR
        reader.line = number
        reader.read_line(line)
        if reader.closed:
            break
    reader.finish()
    layers = layers_of(reader.moves)
    return NaiveJob(
        [move._replace(layer=layer) for move, layer in zip(reader.moves, layers, strict=True)],
        reader.events,
        reader.counts,
        reader.unknown,
        reader.stated,
        reader.unused,
        reader.texts,
        reader.loose,
    )


def command_name(letter: str, number: str) -> str:
    """Name of a G or M word by tenths: `G01`, `G1.00005` are G1, `G59.10` is G59.1."""
    value = float(number)
    if not abs(value) < 1e9:
        return letter + number
    tenths = round(10 * value)
    return f"{letter}{tenths / 10}" if tenths % 10 else f"{letter}{tenths // 10}"


class Extrusion(Reader):
    """Commands act in their order on the line; what cannot be used is counted."""

    radius_allowance = 1.001

    def doubt(self, name: str) -> None:
        self.note(name)

    def tiny_feed(self) -> None:
        self.note("feed below 1 mm a minute")

    def no_code(self, text: str, damaged: bool) -> None:
        """Count a line that is text or, where it begins as G-code does, damaged."""
        self.note("damaged" if damaged and WORD_LIKE.match(text.lstrip(" \t/")) else "text")
        self.texts.append((self.line, len(self.moves)))

    def read_line(self, raw: bytes) -> None:
        text = raw.upper().decode("latin-1")
        if ";" in text or "(" in text:  # blanks of the same length, so that a place in text is a place in raw
            text = COMMENT.sub(lambda comment: " " * len(comment[0]), text)
        if text.lstrip(" \t").startswith("/") and self.reading.block_delete:
            return
        message = MESSAGE.search(text)
        if message:
            text = text[: message.start()]
        checksum = None if message else CHECKSUM.search(text)
        if checksum:
            text = text[: checksum.start()]
        text = text.strip(" \t").removeprefix("/")
        if text.strip(" \t") == "%":
            return
        other = OTHER_CHARACTER.search(text)
        if other:
            self.no_code(text, self.is_damage(text, other.start()))
            return
        if EXPONENT.search(text):
            self.no_code(text, True)
            return
        broken = any(token[2] for token in TOKEN.findall(text))
        if checksum and not broken and reduce(xor, raw[: checksum.start()], 0) != int(checksum[1]):
            self.note("checksum")
        for name, words in self.split(text, message is not None):
            self.act(name, words)

    def is_damage(self, text: str, other: int) -> bool:
        """Whether the first thing that cannot be read is a damaged number, not the character at `other`."""
        before = text[:other]
        return text[other] == "*" or bool(EXPONENT.search(before)) or any(token[2] for token in TOKEN.findall(before))

    def split(self, text: str, message: bool) -> list[tuple[str, Words]]:
        """Commands of a line in their order, each with its words; none where the line is text or damaged."""
        commands: list[tuple[str, Words]] = []
        implied: Words | None = None  # words before any command that takes words
        taker: Words | None = None  # words of the last command that takes any
        taker_name = ""
        usable = bare_in_motion = False
        repeated = 0
        for written, number, stray in TOKEN.findall(text):
            if stray:
                self.no_code(text, True)
                return []
            letter = self.swap.get(written, written)
            if number:
                if letter == "N":
                    continue
                if letter == "T" and (taker is None or taker_name in MOTIONS):
                    commands.append(("T", {"T": float(number)}))
                    continue
                if letter in "GM":
                    name = command_name(letter, number)
                    words: Words = {}
                    commands.append((name, words))
                    if name not in PLAIN:
                        taker, taker_name = words, name
                    continue
            if taker is None:
                if implied is None:
                    implied = {}
                    commands.append(("", implied))
                words = implied
            else:
                words = taker
            if number:
                repeated += words.get(letter) is not None
                words[letter] = float(number)
                usable = usable or letter in USABLE
            elif not (written == letter == "W" and taker_name in ("G28", "G92")):  # a bare W is no axis
                words.setdefault(letter, None)
                bare_in_motion = bare_in_motion or taker is None or taker_name in MOTIONS
        if implied is not None and len(commands) == 1 and not usable and not message:
            self.no_code(text, False)
            return []
        if bare_in_motion:
            self.no_code(text, True)
            return []
        if repeated:
            self.note("repeated word")
        return commands

    def whole_turns(self, words: Words) -> int:
        """P of an arc: whole turns, the drawn one counted."""
        turns = words.get("P")
        if turns is not None and turns > 1000:
            raise NaiveError(self.line, "too many turns")
        return 1 if turns is None else max(1, round(turns))

    def act(self, name: str, words: Words) -> None:
        """Carry out one command; the empty name is the motion in force."""
        if name in MOTIONS or name == "":
            self.motion = name or self.motion
            feed = words.get("F")
            if feed is not None:
                self.set_feed(feed)
            for letter in OTHER_AXES:
                if words.get(letter) is not None:
                    self.note(f"letter {self.swap.get(letter, letter)}")
            self.move(self.motion, words)
        elif name == "T" or name == "M6":
            tool = words.get("T")
            if tool is not None:
                self.select_tool(round(tool))
        elif name == "G92":
            self.rename_place(words)
        elif name == "G28":
            self.go_home(words)
        elif name in ("G10", "G11"):
            self.retract(name == "G10", words)
        elif name in PROBES:
            self.probe(name)
        elif name == "M400":
            self.add_event(FINISH)
        elif name in LIMIT_WORDS:
            self.state_limits(name, words)
        elif name == "G4":
            seconds, milliseconds = words.get("S"), words.get("P")
            if seconds is None and milliseconds is not None:
                seconds = milliseconds / 1000
            self.dwell(None if seconds is None or seconds < 0 else seconds)
        elif not self.set_mode(name, words):
            self.count("unknown", name)

    def state_limits(self, name: str, words: Words) -> None:
        """M201, M203, M204, M205: what each letter with a number states; nothing where that is 0 or less."""
        told = {letter: value for letter, value in words.items() if value is not None}
        for letter, value in told.items():
            means = LIMITS.get((name, letter))
            if (name, letter) == ("M204", "T") and "S" in told and "P" not in told:
                means = "retraction acceleration"
            if means is None or value <= 0:
                self.count("unused", name)
                self.loose[name] = "".join(sorted({*self.loose.get(name, ""), letter}))
            else:
                self.stated.append(NaiveLimit(len(self.moves), means, value, self.line))


class Standard(Reader):
    """NIST's rules: a line acts in the order of its Table 8, and what is not allowed is an error."""

    radius_allowance = 1 + 1e-9
    marks = 0  # lines of a lone %
    begun = False  # something other than blank lines has been read

    def doubt(self, name: str) -> None:
        raise NaiveError(self.line, name)

    def read_line(self, raw: bytes) -> None:
        text = raw.upper().decode("latin-1")
        if len(text) > LONGEST_LINE:
            self.doubt("line too long")
        if text.strip(" \t") == "%":
            if self.begun and not self.marks:
                self.doubt("percent line inside the program")
            self.marks += 1
            self.closed = self.marks == 2
        elif not (self.reading.block_delete and text.lstrip(" \t").startswith("/")):
            names, words = self.split(text)
            self.check(names, words)
            self.act(names, words)
        self.begun = self.begun or bool(text.strip(" \t"))

    def finish(self) -> None:
        if self.marks == 1 and not self.ended:
            self.doubt("no second percent line")

    def split(self, text: str) -> tuple[list[str], Words]:
        """G and M words of a line by name, and its other words."""
        if EXPONENT.search(text):
            self.doubt("damaged")
        text = CLOSED_COMMENT.sub("|", text)  # a comment may stand between words, not inside one
        text = re.sub("[ \t]", "", text).removeprefix("/")
        number = LINE_NUMBER.match(text)
        if number:
            text = text[number.end() :]
        names: list[str] = []
        words: Words = {}
        for written, value, stray in TOKEN.findall(text):
            letter = self.swap.get(written, written)
            if stray == "|":
                continue
            if stray or not value:
                self.doubt("damaged")
            elif letter in "GM":
                self.check_code(value)
                names.append(command_name(letter, value))
            elif letter == "N":
                self.doubt("line number")
            elif letter not in STANDARD_LETTERS:
                self.doubt("unknown letter")
            elif letter in words:
                self.doubt("repeated word")
            else:
                words[letter] = float(value)
        return names, words

    def check_code(self, number: str) -> None:
        """Raise unless a code is one to within 0.0001 (3.3.2.1); codes go by tenths, as G61.1."""
        if abs(Decimal(number) - round(Decimal(number), 1)) > CODE_TOLERANCE:
            self.doubt("code between two codes")

    def check(self, names: list[str], words: Words) -> None:
        """Raise for what may not stand on one line."""
        for name in names:
            if name not in STANDARD_WORDS:
                self.doubt(f"unknown code {name}")
        if len(set(names)) < len(names) or any(len(group.intersection(names)) > 1 for group in GROUPS):
            self.doubt("two words of one group")
        if sum(name[0] == "M" for name in names) > MOST_M_WORDS:
            self.doubt("too many M words")
        if ("G28" in names or "G92" in names) and not set(MOTIONS).isdisjoint(names):
            self.doubt("two commands for one set of axis words")
        if "G92" in names and not any(letter in words for letter in "XYZE"):
            self.doubt("G92 without axis words")

    def act(self, names: list[str], words: Words) -> None:
        """Carry out a line in the order of Table 8."""
        feed, tool, pause = words.get("F"), words.get("T"), words.get("P")
        for name in set(STANDARD_FEED_MODES).intersection(names):
            self.set_mode(name, words)
        if feed is not None:
            self.set_feed(feed)
            if not set(UNITS).isdisjoint(names):
                self.note("feed beside units")
        if tool is not None:
            self.select_tool(round(tool))
        if "G4" in names:
            if pause is None or pause < 0:
                self.doubt("dwell of less than nothing")
            self.dwell(pause)
        for modes in (set(PLANES), set(UNITS), set(DISTANCES)):
            for name in modes.intersection(names):
                self.set_mode(name, words)
        if "G28" in names:
            self.go_home_by_way(words)
        elif "G92" in names:
            self.rename_place(words)
        else:
            named = [name for name in names if name in MOTIONS]
            if "G80" in names:
                self.motion = "G80"
            self.motion = named[0] if named else self.motion
            if self.motion == "G80" and any(letter in words for letter in "XYZE"):
                self.doubt("no motion in force")
            if named or any(letter in words for letter in "XYZE"):
                self.move(self.motion, words)
        for name in names:
            if name in STANDARD_PAUSES or name in ENDS:
                self.set_mode(name, words)
        self.closed = self.ended

    def speed_of(self, name: str, path: list[Point], de: float, words: Words) -> float | None:
        """A rapid has no commanded speed (3.5.1), in inverse time neither (3.5.19)."""
        return inf if name == "G0" else self.speed(path, de, words)

    def chords(self, name: str, end: Point, words: Words) -> list[Point]:
        """Raise for an arc without a place in its plane (3.5.3), then cut it as any other."""
        a, b, _, _, _ = PLANES[self.plane]
        if "XYZ"[a] not in words and "XYZ"[b] not in words:
            self.doubt("arc impossible")
        return super().chords(name, end, words)

    def go_home_by_way(self, words: Words) -> None:
        """G28 of the standard (3.5.8): a rapid by the place given, if any, then home."""
        if any(letter in words for letter in "XYZ"):
            self.move("G0", {letter: words.get(letter) for letter in "XYZ"})
        self.go([self.reading.home], 0.0, inf)
