"""Lines and tables laid out for a width: broken between words, never inside a key, or a number and its unit."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import NamedTuple

Heads = Sequence[tuple[str, bool]]  # (head, right-aligned)

GAP = 2  # columns between those of a table
LEAST_WIDTH = 20
TALLEST_ROW = 4  # lines; a table with taller ones is easier to read as records
LONG_INTERVAL = 18  # characters; a shorter interval is kept in one piece
COMMAND = "next: "  # how a line begins that holds a command to be copied

_UNITS = (
    "% s min h d ms days? hours? months? years? weeks? mm mm/s mm/s² mm³/s mm/s\\^2 mm\\^3/s mm/s2 mm3/s mm/min cm m "
    "km g kg t N Nm Hz W kWh °C C °C/s C/s kg·m² kg-m\\^2 g/cm³ g/cm\\^3 MB GB B bytes? rev/min times? × x prints? "
    "parts? layers? moves? lines? jobs? commands? runs? draws? values? rows? kinds? people persons? printers? orders? "
    "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec [A-Z]{3} € \\$ £"
)
_UNIT = re.compile(rf"(?:{'|'.join(_UNITS.split())})[)\],;:.?]*")
_NUMBER = re.compile(r"[(\[<>~±+-]*\d[\d,.]*(?:e[+-]?\d+)?")
_TIME_UNIT = re.compile(r"(?:d|h|min)")
_LEADS = re.compile(r"[(\[]?(?:line|lines|Mon|Tue|Wed|Thu|Fri|Sat|Sun|EUR|€|\$|£)")
_MOTOR = re.compile(r"[a-z]\d?[),;:.]*")
_SHELL_WORD = re.compile(r"""(?:[^\s"']|"[^"]*"|'[^']*')+""")


class Line(NamedTuple):
    """One line of a screen, and whether it is a head."""

    text: str
    head: bool = False


def width_of(text: str) -> int:
    """How many columns of a terminal a text takes."""
    from rich.cells import cell_len

    return cell_len(text)


def pieces_of(text: str) -> list[str]:
    """The text cut where a line may be broken: at spaces, but a number stays with its unit, `line` with its number."""
    pieces: list[str] = []
    words = text.split()
    for i, word in enumerate(words):
        last = words[i - 1] if i else ""
        after = words[i + 1] if i + 1 < len(words) else ""
        number = _NUMBER.fullmatch(word) is not None
        joined = (
            (_NUMBER.fullmatch(last) is not None and _UNIT.fullmatch(word) is not None)
            or (number and _TIME_UNIT.fullmatch(last) is not None and _UNIT.fullmatch(after) is not None)
            or (word[:1].isdigit() and _LEADS.fullmatch(last) is not None)
            or (last in ("motor", "motors") and _MOTOR.fullmatch(word) is not None)
            or last == "kinematics"
            or (last.startswith("--") and "=" in word)
            or words[max(0, i - 2) : i] == ["kinematics", "machine"]
            or (last in tuple("xyze") and word.startswith("axis"))
        )
        if joined and i:
            pieces[-1] += f" {word}"
        else:
            pieces.append(word)
    return pieces


def _pieces_of_quantity(text: str) -> list[str]:
    """A right-aligned cell, a quantity as a whole, cut before its bracket, and an interval before its `to`."""
    main, bracket, inside = text.partition(" (")
    pieces = [main, f"({inside}"] if bracket else [main]
    low, to, high = pieces[-1].partition(" to ")
    return [*pieces[:-1], low, f"to {high}"] if to and len(pieces[-1]) > LONG_INTERVAL else pieces


def _filled(pieces: Sequence[str], width: int, first: str = "", then: str = "") -> list[str]:
    """Pieces put on lines of a width, the first line and the others with an indent; too long a piece has its own."""
    lines: list[str] = []
    line, empty = first, True
    for piece in pieces:
        if not empty and width_of(line) + 1 + width_of(piece) > width:
            lines.append(line)
            line, empty = then, True
        line += piece if empty else f" {piece}"
        empty = False
    return [*lines, line]


def wrapped(line: str, width: int) -> list[str]:
    """A line broken to a width; what follows is indented, except under a whole sentence.

    A command stays one that a shell takes: its lines end in a backslash.
    """
    if width_of(line) <= width:
        return [line]
    if line.startswith(COMMAND):
        return _command_lines(line, width)
    indent = line[: len(line) - len(line.lstrip())]
    hanging = indent if line.endswith(".") else f"{indent}  "
    return _filled(pieces_of(line), max(width, LEAST_WIDTH), indent, hanging)


def _command_lines(line: str, width: int) -> list[str]:
    words = _SHELL_WORD.findall(line)
    pieces: list[str] = []
    for i, word in enumerate(words):  # an option stays with its value
        if i and words[i - 1].startswith("-") and not word.startswith("-"):
            pieces[-1] += f" {word}"
        else:
            pieces.append(word)
    lines = _filled(pieces, max(width - 2, LEAST_WIDTH), "", "    ")
    return [*(f"{one} \\" for one in lines[:-1]), lines[-1]]


def table_lines(heads: Heads, rows: Sequence[Sequence[str]], width: int) -> list[Line]:
    """A table of a width: as it is where there is room, else with cells broken, else one record a row.

    Columns without a single entry are left out.
    """
    kept = [i for i in range(len(heads)) if not rows or any(row[i] for row in rows)]
    shown = [heads[i] for i in kept]
    cells = [[row[i] for i in kept] for row in rows]
    columns = [[pieces_of(head), *(_cut(row[i], right) for row in cells)] for i, (head, right) in enumerate(shown)]
    widths = _widths(columns, width - GAP * (len(shown) - 1))
    if widths is not None:
        broken = [
            [_filled(cell, widths[i], "", "  " if i == 0 else "") for i, cell in enumerate(line)]
            for line in zip(*columns, strict=True)
        ]
        if max((len(cell) for line in broken[1:] for cell in line), default=1) <= TALLEST_ROW:
            needed = [max(width_of(part) for cell in column for part in cell) for column in zip(*broken, strict=True)]
            return [*_drawn(broken, [right for _, right in shown], needed)]
    return [*_records([head for head, _ in shown], cells, width)]


def _cut(cell: str, right: bool) -> list[str]:
    return _pieces_of_quantity(cell) if right else pieces_of(cell)


def _widths(columns: Sequence[Sequence[Sequence[str]]], room: int) -> list[int] | None:
    """The width of each column: what it needs in one line, or less where there is no room; None where there is not
    even room for the longest pieces. Spare room goes to whichever column is squeezed most.
    """
    least, whole = [], []
    for i, column in enumerate(columns):
        indent = 2 if i == 0 else 0  # of a first cell's other lines
        longest = [
            max((width_of(piece) + (indent if j else 0) for j, piece in enumerate(cell)), default=0) for cell in column
        ]
        least.append(max(longest))
        # A head may be broken before a cell is.
        whole.append(max([least[-1], *(width_of(" ".join(cell)) for cell in column[1:])]))
    if sum(least) > room:
        return None
    with_head = [max(wide, width_of(" ".join(column[0]))) for wide, column in zip(whole, columns, strict=True)]
    widths = list(least)
    for wanted in (whole, with_head):
        while sum(widths) < room:
            most = max(range(len(widths)), key=lambda i: wanted[i] / max(widths[i], 1))
            if widths[most] >= wanted[most]:
                break
            widths[most] += 1
    return widths


def _drawn(broken: Sequence[Sequence[Sequence[str]]], right: Sequence[bool], widths: Sequence[int]) -> Iterator[Line]:
    for number, cells in enumerate(broken):
        height = max(len(cell) for cell in cells)
        # Heads stand on the rule, rows hang from their first line.
        filled = [[""] * (height - len(cell)) + [*cell] if number == 0 else [*cell] for cell in cells]
        for j in range(height):
            parts = []
            for cell, wide, aligned_right in zip(filled, widths, right, strict=True):
                text = cell[j] if j < len(cell) else ""
                space = " " * max(0, wide - width_of(text))
                parts.append(space + text if aligned_right else text + space)
            yield Line((" " * GAP).join(parts).rstrip(), number == 0)
        if number == 0:
            yield Line("─" * (sum(widths) + GAP * (len(widths) - 1)))


def _records(heads: Sequence[str], rows: Sequence[Sequence[str]], width: int) -> Iterator[Line]:
    """One row after the other, each entry on a line with its head; empty ones are left out, but the name of a record
    that is not repeated is that of the one before.
    """
    wide = max((width_of(head) for head in heads[1:]), default=0)
    name = heads[0]
    for row in rows:
        name = row[0] or name
        yield from (Line(one, True) for one in wrapped(name, width))
        for head, cell in zip(heads[1:], row[1:], strict=True):
            if cell:
                label = f"  {head}{' ' * (wide - width_of(head))}  "
                pieces = pieces_of(cell)
                yield from (Line(one) for one in _filled(pieces, width, label, " " * width_of(label)))
