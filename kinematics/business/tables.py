"""The tables of a shop, as CSV: printers and orders, each row with its line, and what is wrong with others."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, time, timedelta, tzinfo
from pathlib import Path
from typing import NamedTuple

from kinematics.errors import Finding, InputError
from kinematics.jobs.copies_layout import MOST_COPIES
from kinematics.machine import BUILTIN_NAMES, Machine, load_machine
from kinematics.tables import Cells, TableKind, file_beside, read_table

# Other names that people give the columns, beside those that are nearly spelt like ours.
OTHER_NAMES = {
    "qty": "quantity", "pieces": "quantity", "pcs": "quantity", "count": "quantity", "parts": "quantity",
    "number": "quantity", "amount": "quantity", "at a time": "copies", "bedful": "copies", "file": "job",
    "gcode": "job", "g-code": "job",
    "time": "hours", "print hours": "hours", "deadline": "due", "due date": "due", "by": "due", "colour": "material",
    "color": "material", "filament": "material", "grams": "filament_g", "weight": "filament_g", "printer": "name",
    "available": "free_from", "group": "class",
}  # fmt: skip
PRINTERS = TableKind(
    "printers", ("name", "machine", "class", "materials", "free_from"), ("name", "machine"), OTHER_NAMES
)
ORDERS = TableKind(
    "orders",
    ("order", "job", "hours", "quantity", "due", "class", "material", "arrives", "filament_g", "copies"),
    (),
    OTHER_NAMES,
)
AUTO = 0  # in place of copies: as many at a time as serve best
COPIES_ALLOWED = f"a whole number from 1 to {MOST_COPIES:,}, or auto"
MOST_PIECES = 100_000
MOMENT_ALLOWED = 'a date or a date and time from 1971 to 2999, such as 2026-03-06 or "2026-03-06 14:00"'
YEARS = (1971, 2999)  # first and last of a date; what is planned from there on ends within the calendar


class Printer(NamedTuple):
    """A printer of the list: its name, machine, class (empty: none), materials (none: any), from when it is free (s,
    None: at once), and where it stands (`file:line`).
    """

    name: str
    machine: Machine
    group: str
    materials: tuple[str, ...]
    free_from: float | None
    place: str


class Order(NamedTuple):
    """An order: its name, the job's path or the hours of a print (s), pieces, due date (s), class and material (empty:
    any), when it comes in (s; None: it is there), filament of a piece (g), where it stands, and how many pieces are
    printed at a time (AUTO: what serves best).
    """

    name: str
    job: str | None
    seconds: float | None
    quantity: int
    due: float | None
    group: str
    material: str
    arrives: float | None
    grams: float | None
    place: str
    copies: int = 1


def _moment(cells: Cells, column: str, zone: tzinfo, end_of_day: bool = False) -> float | None:
    """The moment of a cell (s); None where there is none."""
    text = cells.text(column)
    if not text:
        return None
    try:
        return moment_of(text, zone, end_of_day)
    except ValueError:
        cells.wrong(f"{column} is {text!r}", MOMENT_ALLOWED)
        return None


def moment_of(text: str, zone: tzinfo, end_of_day: bool = False) -> float:
    """The moment (s since 1970) of a date or date and time by the wall clock of a zone; a date alone is its beginning,
    or its end. Raises ValueError for anything else, and for years that no shop sees.
    """
    try:
        day = date.fromisoformat(text)
    except ValueError:
        told = datetime.fromisoformat(text)
        _check_year(told.year)
        return (told if told.tzinfo is not None else told.replace(tzinfo=zone)).timestamp()
    _check_year(day.year)
    if end_of_day:
        day += timedelta(days=1)
    return datetime.combine(day, time()).replace(tzinfo=zone).timestamp()


def _check_year(year: int) -> None:
    if not YEARS[0] <= year <= YEARS[1]:
        raise ValueError(year)


def read_printers(path: str, settings: Sequence[str] = ()) -> tuple[list[Printer], list[Finding], tzinfo]:
    """The printers of a table, what is wrong with other rows, and the time zone that all of them share.

    `settings` (`key=value`) are laid over every machine. Machine files stand beside the table, or are built in. Raises
    InputError where the table cannot be read, holds no usable printer, or its printers are in several time zones.
    """
    from kinematics.business.staffed import NO_ZONE, zone_of

    table = read_table(path, PRINTERS, [ORDERS])
    findings = list(table.findings)
    machines: list[tuple[Cells, Machine]] = []
    names: dict[str, str] = {}
    for line, row in table.rows:
        cells = Cells(row, f"{path}:{line}", table.separator)
        name = cells.text("name")
        if not name:
            cells.wrong("a printer without a name", "a name in every row")
        elif name in names:
            cells.wrong(f"two printers are named {name!r}", "each name once", f"first in {names[name]}")
        try:
            machine = load_machine(_machine_source(cells.text("machine"), path), settings)
        except InputError as error:
            # Beside a machine file's own line; the option of other commands is none of this table.
            told = [one if one.place != "--machine" else replace(one, place="") for one in error.findings]
            cells.findings += [Finding(cells.place, str(one)) for one in told]
        else:
            if not cells.findings:
                names[name] = cells.place
                machines.append((cells, machine))
                continue
        findings += cells.findings
    zones = list(dict.fromkeys(machine.economy.time_zone for _, machine in machines if machine.economy.time_zone))
    if len(zones) > 1:
        findings.append(Finding(path, f"its machines are in time zones {' and '.join(zones)}", "one for the shop"))
        raise InputError(*findings)
    zone = next((zone_of(m.economy) for _, m in machines if m.economy.time_zone), NO_ZONE)
    printers = []
    for cells, machine in machines:
        separators = ",|+" if table.separator == ";" else ";|+"
        text = cells.text("materials").translate({ord(mark): ";" for mark in separators})
        materials = tuple(part.strip() for part in text.split(";") if part.strip())
        free = _moment(cells, "free_from", zone)
        findings += cells.findings
        if not cells.findings:
            name = cells.text("name")
            printers.append(Printer(name, machine, cells.text("class"), materials, free, cells.place))
    if not printers:
        raise InputError(*(findings or [Finding(path, "there are no printers in it", "a row for each printer")]))
    return printers, findings, zone


def read_orders(path: str, zone: tzinfo) -> tuple[list[Order], list[Finding]]:
    """The orders of a table, and what is wrong with other rows. Raises InputError where the table cannot be read."""
    table = read_table(path, ORDERS, [PRINTERS])
    findings = list(table.findings)
    orders = []
    for line, row in table.rows:
        cells = Cells(row, f"{path}:{line}", table.separator)
        quantity = cells.number("quantity", f"a whole number from 1 to {MOST_PIECES:,}", _is_count)
        hours = cells.number("hours", "a number above 0", lambda value: 0.0 < value < 1e5)
        grams = cells.number("filament_g", "a number, 0 or more", lambda value: 0.0 <= value < 1e6)
        job = cells.text("job")
        if bool(job) == bool(cells.text("hours")):
            found = "both a job and hours" if job else "neither a job nor hours"
            cells.wrong(found, "a G-code file in column job, or the hours of one print in column hours")
        copies = _copies_of(cells, bool(job))
        due = _moment(cells, "due", zone, end_of_day=True)
        arrives = _moment(cells, "arrives", zone)
        findings += cells.findings
        if cells.findings:
            continue
        orders.append(
            Order(
                name=cells.text("order") or f"line {line}",
                job=file_beside(job, path) if job else None,
                seconds=None if hours is None else hours * 3600.0,
                quantity=1 if quantity is None else int(quantity),
                due=due,
                group=cells.text("class"),
                material=cells.text("material"),
                arrives=arrives,
                grams=grams,
                place=cells.place,
                copies=copies,
            )
        )
    return orders, findings


def _copies_of(cells: Cells, has_job: bool) -> int:
    """How many pieces of an order are printed at a time; one where the cell is empty."""
    if cells.text("copies").lower() != "auto":
        copies = cells.number(
            "copies", COPIES_ALLOWED, lambda value: 1.0 <= value <= MOST_COPIES and value == int(value)
        )
        return 1 if copies is None else int(copies)
    if not has_job:
        found = "copies is auto, and how long several take is not known of an order given in hours"
        cells.wrong(found, "the number whose hours these are, or a G-code file in column job")
    return AUTO


def _is_count(value: float) -> bool:
    return 1.0 <= value <= MOST_PIECES and value == int(value)


def _machine_source(name: str, table: str) -> str | Path:
    if not name:
        raise InputError.at("", "no machine", f"a machine file, or {', '.join(BUILTIN_NAMES)}")
    beside = Path(table).parent / name
    return beside if beside.is_file() else name
