"""A slow, obvious twin of the G-code reader, in plain Python: strings, regular expressions, float().

It is written from the rules alone, never from the fast reader, so that the two can be held against each other
byte for byte. Units: mm, s, mm/s; mm/min only where the file speaks. Arc and word-order rules of the `rs274`
dialect: Kramer, Proctor and Messina 2000 (NISTIR 6556), sections 3.3 to 3.6 and Table 8.
"""

from __future__ import annotations

import re
from functools import reduce
from math import inf
from operator import xor

from .reader_twin_state import (
    FIXTURES,
    HEATERS,
    MOTIONS,
    NO_EFFECT,
    PLAIN_NO_EFFECT,
    PLANES,
    NaiveError,
    NaiveJob,
    Point,
    Reader,
    Words,
)

__all__ = ["NaiveError", "NaiveJob", "read"]

PLAIN = PLAIN_NO_EFFECT | set(PLANES) | {"G20", "G21", "G90", "G91", "M82", "M83", "M2", "M30"}  # take no words
USABLE = "XYZEFIJKR"  # words that mean something to a motion

TOKEN = re.compile(r"([A-Z])[ \t]*([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))?|([^ \t])")
COMMENT = re.compile(r";.*|\([^)]*\)?", re.DOTALL)
CLOSED_COMMENT = re.compile(r"\([^()]*\)")
MESSAGE = re.compile(r"M[ \t]*\+?0*11[78](?:\.0*)?(?![0-9.])")
CHECKSUM = re.compile(r"\*([0-9]+)[ \t]*\Z")
OTHER_CHARACTER = re.compile(r"[^A-Z0-9+\-. \t]")
EXPONENT = re.compile(r"[0-9]E[+-][0-9][0-9]+(?![0-9.])")


def read(
    text: bytes, dialect: str = "extrusion", arc_tolerance: float = 0.01, home: Point = (0.0, 0.0, 0.0)
) -> NaiveJob:
    """Read a whole file in the dialect `extrusion` or `rs274`; raises NaiveError in `rs274` alone."""
    reader = {"extrusion": Extrusion, "rs274": Standard}[dialect](arc_tolerance, home)
    for number, line in enumerate(text.splitlines(), 1):  # of bytes: at LF, CRLF and CR, nothing else
        reader.line = number
        reader.read_line(line)
        if reader.closed:
            break
    return NaiveJob(reader.moves, reader.events, reader.counts, reader.unknown)


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

    def read_line(self, raw: bytes) -> None:
        text = raw.upper().decode("latin-1")
        if ";" in text or "(" in text:  # blanks of the same length, so that a place in text is a place in raw
            text = COMMENT.sub(lambda comment: " " * len(comment[0]), text)
        message = MESSAGE.search(text)
        if message:
            text = text[: message.start()]
        checksum = None if message else CHECKSUM.search(text)
        if checksum:
            text = text[: checksum.start()]
        text = text.strip(" \t").removeprefix("/")
        if text == "%":
            return
        if OTHER_CHARACTER.search(text):
            self.note("text")
            return
        if checksum and reduce(xor, raw[: checksum.start()], 0) != int(checksum[1]):
            self.note("checksum")
        if EXPONENT.search(text):
            self.note("damaged")
            return
        commands = self.split(text, message is not None)
        for name, words in commands:
            self.act(name, words)

    def split(self, text: str, message: bool) -> list[tuple[str, Words]]:
        """Commands of a line in their order, each with its words; none where the line is text or damaged."""
        commands: list[tuple[str, Words]] = []
        implied: Words | None = None  # words before any command that takes words
        taker: Words | None = None  # words of the last command that takes any
        taker_name = ""
        usable = bare_in_motion = False
        repeated = 0
        for letter, number, stray in TOKEN.findall(text):
            if stray:
                self.note("damaged")
                return []
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
            else:
                words.setdefault(letter, None)
                bare_in_motion = bare_in_motion or taker is None or taker_name in MOTIONS
        if implied is not None and len(commands) == 1 and not usable and not message:
            self.note("text")
            return []
        if bare_in_motion:
            self.note("damaged")
            return []
        for _ in range(repeated):
            self.note("repeated word")
        return commands

    def act(self, name: str, words: Words) -> None:
        """Carry out one command; the empty name is the motion in force."""
        if name in MOTIONS or name == "":
            self.motion = name or self.motion
            feed = words.get("F")
            if feed is not None:
                self.set_feed(feed)
            self.move(self.motion, words, self.speed())
        elif name == "T" or name == "M6":
            tool = words.get("T")
            if tool is not None:
                self.select_tool(round(tool))
        elif name == "G92":
            self.rename_place(words)
        elif name == "G28":
            self.go_home(words)
        elif name == "G4":
            seconds, milliseconds = words.get("S"), words.get("P")
            if seconds is None and milliseconds is not None:
                seconds = milliseconds / 1000
            self.dwell(None if seconds is None or seconds < 0 else seconds)
        elif not self.set_mode(name, words):
            first, count = self.unknown.get(name, (self.line, 0))
            self.unknown[name] = (first, count + 1)


GROUPS = (  # at most one of each on a line (NISTIR 6556, 3.3.5 and Table 4)
    set(MOTIONS),
    set(PLANES),
    {"G90", "G91"},
    {"G20", "G21"},
    {"G61", "G61.1", "G64"},
    FIXTURES,
    {"G4", "G28", "G92"},
    {"M0", "M1", "M2", "M30"},
    {"M3", "M4", "M5"},
    {"M7", "M9"},
    {"M8", "M9"},
)
LETTERS = set("DEFGHIJKLMNPQRSTXYZ")  # E is an extension of the standard
LONGEST_LINE = 256


class Standard(Reader):
    """NIST's rules: a line acts in the order of its Table 8, and what is not allowed is an error."""

    radius_allowance = 1 + 1e-9
    marks = 0  # lines of a lone %

    def doubt(self, name: str) -> None:
        raise NaiveError(self.line, name)

    def read_line(self, raw: bytes) -> None:
        text = raw.upper().decode("latin-1")
        if len(text) > LONGEST_LINE:
            self.doubt("line too long")
        if text.strip(" \t") == "%":
            self.marks += 1
            self.closed = self.marks == 2
            return
        names, words = self.split(text)
        self.check(names, words)
        self.act(names, words)

    def split(self, text: str) -> tuple[list[str], Words]:
        """G and M words of a line by name, and its other words."""
        text = CLOSED_COMMENT.sub("|", text)  # a comment may stand between words, not inside one
        message = MESSAGE.search(text)
        if message:
            text = text[: message.start()]
        if EXPONENT.search(text):
            self.doubt("damaged")
        names: list[str] = []
        words: Words = {}
        for letter, number, stray in TOKEN.findall(re.sub("[ \t]", "", text).lstrip("|").removeprefix("/")):
            if stray == "|":
                continue
            if stray or (not number and letter not in "XYZ"):
                self.doubt("damaged")
            elif letter in "GM":
                names.append(command_name(letter, number))
            elif letter not in LETTERS:
                self.doubt("unknown letter")
            elif letter in words:
                self.doubt("repeated word")
            elif letter == "N" and not (number.isdigit() and len(number) <= 5):
                self.doubt("line number")
            else:
                words[letter] = float(number) if number else None
        return names, words

    def check(self, names: list[str], words: Words) -> None:
        """Raise for what may not stand on one line."""
        for name in names:
            known = name in MOTIONS or name in ("G4", "G28", "G92", "M220", "M221") or name in HEATERS
            if not known and name not in PLAIN and name not in NO_EFFECT and name not in ("M0", "M1"):
                self.doubt(f"unknown code {name}")
        if len(set(names)) < len(names) or any(len(group.intersection(names)) > 1 for group in GROUPS):
            self.doubt("two words of one group")
        if None in words.values() and "G28" not in names:
            self.doubt("damaged")
        if ("G28" in names or "G92" in names) and not set(MOTIONS).isdisjoint(names):
            self.doubt("two commands for one set of axis words")
        if "G92" in names and not any(letter in words for letter in "XYZE"):
            self.doubt("G92 without axis words")

    def act(self, names: list[str], words: Words) -> None:
        """Carry out a line in the order of Table 8."""
        feed, tool, pause = words.get("F"), words.get("T"), words.get("P")
        if feed is not None:
            self.set_feed(feed)
        if tool is not None:
            self.select_tool(round(tool))
        stops = [name for name in names if name in ("M0", "M1", "M2", "M30")]
        for name in names:
            if name[0] == "M" and name not in stops:
                self.set_mode(name, words)
        if "G4" in names:
            if pause is not None and pause < 0:
                self.doubt("dwell of less than nothing")
            self.dwell(pause)
        for modes in (set(PLANES), {"G20", "G21"}, {"G90", "G91"}):
            for name in modes.intersection(names):
                self.set_mode(name, words)
        if "G28" in names:
            self.go_home_by_way(words)
        elif "G92" in names:
            self.rename_place(words)
        else:
            for name in names:
                if name in MOTIONS:
                    self.motion = name
            self.move(self.motion, words, inf if self.motion == "G0" else self.speed())
        for name in stops:
            self.set_mode(name, words)
        self.closed = self.ended

    def go_round(self, name: str, end: Point, words: Words, de: float, speed: float | None) -> None:
        """Raise for an arc without a place in its plane (3.5.3), then cut it as any other."""
        a, b, _, _, _ = PLANES[self.plane]
        if "XYZ"[a] not in words and "XYZ"[b] not in words:
            self.doubt("arc impossible")
        super().go_round(name, end, words, de, speed)

    def go_home_by_way(self, words: Words) -> None:
        """G28 of the standard (3.5.8): a rapid by the place given, if any, then home; a bare letter gives none."""
        if any(words.get(letter) is not None for letter in "XYZ"):
            self.move("G0", {letter: words.get(letter) for letter in "XYZ"}, inf)
        self.go_straight(self.home, 0.0, inf)
