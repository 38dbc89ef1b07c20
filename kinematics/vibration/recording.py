"""Records of an accelerometer: text files of many kinds read, and what is wrong with them told in sentences."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import MAY_COST, InputError, Notice, nearest
from kinematics.vibration.spectrum import RecordSampling, sampling_of

Reals = NDArray[np.float64]

TIME_UNITS: Mapping[str, float] = MappingProxyType({"s": 1.0, "ms": 1e-3, "us": 1e-6})
INDEX = "index"
STANDARD_GRAVITY = 9806.65  # mm/s² (CGPM 1901)
ACCELERATION_UNITS: Mapping[str, float] = MappingProxyType({"g": STANDARD_GRAVITY, "m/s2": 1000.0, "mm/s2": 1.0})
RECORDED_AXES = ("x", "y", "z")
COMMENTS = ("#", ";", "%", "//", "!")
LARGEST = 20_000_000  # bytes: ten minutes at 1 kHz; a minute or two tell a mode
SNIFFED = 65_536  # bytes from which the shape of a file is told
SHORTEST, SHORT = 2.0, 20.0  # s: refused below the one, remarked on below the other
LOWEST_RATE, LOW_RATE = 100.0, 400.0  # Hz: likewise
CLIPPED, SOME_CLIPPED = 0.01, 1e-4  # share of samples at the end of the scale: likewise
CLIPPED_RUN = 2  # samples in a row at the very same end of the scale
DAMAGED = 0.05  # share of lines that cannot be read: more is no record
BACKWARDS = 0.01  # share of times that do not go on
DEAD = 1e-3  # of what the liveliest axis shows
SWAPPED = 3.0  # times as lively as the axis that was shaken
TRUE_GRAVITY = 0.15  # by how far the mean of a record at rest may miss 1 g

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?|[+-]?(?:nan|inf)", re.IGNORECASE)
_LINE_END = re.compile(r"\r\n|\r|\n")  # and no other mark, as the reader of whole tables has it
_COMMA_NUMBER = re.compile(r"[+-]?\d+,\d+(?:[eE][+-]?\d+)?|[+-]?\d+")
_UNIT_IN_NAME = re.compile(
    r"[\[(_\s/]*(mm/s\^?2|mm/s²|mm_s2|m/s\^?2|m/s²|m_s2|ms|us|µs|μs|sec(?:onds)?|s|g)[\])\s]*$", re.I
)
_TIME_NAME = re.compile(r"^\s*(?:time|t|timestamp|seconds|sample|index|n)\b|time|sample", re.IGNORECASE)
_SPELLED = {"mm/s²": "mm/s2", "mm/s^2": "mm/s2", "mm_s2": "mm/s2", "m/s²": "m/s2", "m/s^2": "m/s2", "m_s2": "m/s2"}
_SPELLED |= {"µs": "us", "μs": "us", "sec": "s", "seconds": "s"}


class Told(NamedTuple):
    """What the user says of a file: columns by name or number (from 1; by axis for accelerations), units, and the rate
    (Hz) where the time column counts samples. What is None is told from the file.
    """

    time_column: str | None = None
    columns: Mapping[str, str] = MappingProxyType({})
    time_unit: str | None = None
    acceleration_unit: str | None = None
    rate: float | None = None


NOTHING_TOLD = Told()


class Recording(NamedTuple):
    """A record: the axis that was shaken, times (s from the first) and accelerations (mm/s², by axis), how it was
    sampled, and what is doubtful of it.
    """

    name: str
    axis: str
    times: Reals
    accelerations: Mapping[str, Reals]
    sampling: RecordSampling
    notices: tuple[Notice, ...]

    @property
    def shaken(self) -> Reals:
        """The acceleration of the axis that was shaken."""
        return self.accelerations[self.axis]

    @property
    def seconds(self) -> float:
        """How long the record is."""
        return float(self.times[-1] - self.times[0])


class _Shape(NamedTuple):
    """How a file is written: separator (None: blanks), whether numbers have a comma, lines before the first numbers,
    names of the columns (empty: none), how many there are."""

    separator: str | None
    comma: bool
    before: int
    names: tuple[str, ...]
    columns: int


def read_recording(path: str | Path, axis: str, told: Told = NOTHING_TOLD) -> Recording:
    """Read a text file with a column of times and one to three of accelerations, of which `axis` was shaken.

    Columns stand between commas, semicolons, tabs or blanks, with a head or without, among lines of comment. Raises
    InputError where it is no such file, and where what it holds cannot tell modes.
    """
    place = str(path)
    content = _content(path)
    shape = _shape_of(content, place)
    table, damaged = _numbers(content, shape, place)
    time_at, columns = _columns_of(shape, table, axis, told, place)
    times = _seconds(table[:, time_at], shape, time_at, told, place)
    notices = [] if not damaged else [Notice(None, damaged, "lines hold no numbers and were left out", weight=MAY_COST)]
    good = np.isfinite(table[:, [time_at, *columns.values()]]).all(axis=1)
    times, back = _forwards(times[good], place)
    if back:
        notices.append(Notice(None, back, "times do not go on from the one before and were left out", weight=MAY_COST))
    table = table[good][_kept_forwards(table[good][:, time_at])] if back or not good.all() else table
    unit, remark = _acceleration_unit(table, shape, columns, told)
    notices += remark
    scale = ACCELERATION_UNITS[unit]
    accelerations = {name: np.ascontiguousarray(table[:, at]) * scale for name, at in columns.items()}
    sampling = _checked_sampling(times, place, notices)
    _check_values(accelerations, axis, place, notices)
    return Recording(place, axis, times - times[0], MappingProxyType(accelerations), sampling, tuple(notices))


def _content(path: str | Path) -> bytes:
    place = str(path)
    try:
        with open(path, "rb") as file:
            content = file.read(LARGEST + 1)
    except FileNotFoundError:
        beside = [one.name for one in Path(path).parent.glob("*")] if Path(path).parent.is_dir() else []
        hint = nearest(Path(path).name, beside)
        raise InputError.at(place, "no such file", "a text file of times and accelerations", hint) from None
    except OSError as failure:
        raise InputError.at(place, f"cannot be read: {failure.strerror}") from None
    if len(content) > LARGEST:
        found = f"larger than {LARGEST // 1_000_000} MB"
        raise InputError.at(place, found, "a recording of some minutes", "a minute or two are enough: cut it")
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        content = content.decode("utf-16", "replace").encode()
    if b"\0" in content[:SNIFFED]:
        raise InputError.at(place, "is no text", "a text file of times and accelerations")
    return content.removeprefix(b"\xef\xbb\xbf")


def _is_comment(line: str) -> bool:
    return not line.strip() or line.lstrip().startswith(COMMENTS)


def _fields(line: str, separator: str | None) -> list[str]:
    return [field.strip().strip("\"'") for field in (line.split(separator) if separator else line.split())]


def _shape_of(content: bytes, place: str) -> _Shape:
    """How the file is written, from its first lines."""
    lines = _LINE_END.split(content[:SNIFFED].decode("utf-8", "replace"))
    if len(content) > SNIFFED:
        lines = lines[:-1]
    kept = [(number, line) for number, line in enumerate(lines) if not _is_comment(line)]
    for separator in (";", "\t", ",", None):
        for comma in (False, True):
            if comma and separator == ",":
                continue
            number = _COMMA_NUMBER if comma else _NUMBER
            good = [
                (at, len(fields))
                for at, line in kept
                if len(fields := _fields(line.rstrip(" ,;\t"), separator)) >= 2
                and all(number.fullmatch(one) for one in fields)
            ]
            if len(good) > 0.5 * len(kept) and good:
                first, columns = good[0]
                heads = [line for at, line in kept if at < first]
                # A head may hide behind a mark of comment.
                heads = heads or [line.lstrip("#;%!/ ") for line in lines[:first] if line.strip()]
                names = _fields(heads[-1].rstrip(" ,;\t"), separator) if heads else []
                return _Shape(separator, comma, first, tuple(names) if len(names) == columns else (), columns)
    found = "no lines of numbers" if kept else "nothing in it"
    raise InputError.at(place, found, "a column of times and one to three of accelerations, a sample a line")


def _numbers(content: bytes, shape: _Shape, place: str) -> tuple[Reals, int]:
    """All numbers (float64[samples, columns]) and how many lines hold none."""
    text = content.replace(b",", b".") if shape.comma else content
    try:
        comments = [mark for mark in COMMENTS if mark != shape.separator]
        stream = io.BytesIO(text)
        table = np.loadtxt(
            stream, delimiter=shape.separator, skiprows=shape.before, comments=comments, ndmin=2, encoding="utf-8"
        )
        if table.shape[1] == shape.columns:  # else marks of comment amid lines took the rest away
            return np.asarray(table, np.float64), 0
    except ValueError:
        pass
    rows, damaged = [], 0
    for line in _LINE_END.split(text.decode("utf-8", "replace"))[shape.before :]:
        if _is_comment(line):
            continue
        try:
            row = [float(field) for field in _fields(line.rstrip(" ,;\t"), shape.separator)]
        except ValueError:
            row = []
        if len(row) == shape.columns:
            rows.append(row)
        else:
            damaged += 1
    if damaged > DAMAGED * (len(rows) + damaged) or not rows:
        found = f"{damaged:,} of {len(rows) + damaged:,} lines hold no {shape.columns} numbers"
        raise InputError.at(place, found, "a sample a line, as many numbers in each")
    return np.array(rows), damaged


def _place_of(column: str, shape: _Shape, place: str) -> int:
    """Where a column stands (from 0), by its name or its number (from 1)."""
    if column in shape.names:
        return shape.names.index(column)
    lowered = [name.lower() for name in shape.names]
    if column.lower() in lowered:
        return lowered.index(column.lower())
    if column.isdigit() and 1 <= int(column) <= shape.columns:
        return int(column) - 1
    allowed = f"1 to {shape.columns}" + (f", or {', '.join(shape.names)}" if shape.names else "; this file has no head")
    raise InputError.at(place, f"no column {column!r}", allowed, nearest(column, shape.names))


def _axis_of_name(name: str) -> str:
    """The axis that the name of a column speaks of; empty for none."""
    bare = _UNIT_IN_NAME.sub("", name.strip().lower()) if len(name.strip()) > 1 else name.strip().lower()
    for axis in RECORDED_AXES:
        if bare == axis or re.search(rf"(?:^|[^a-z]|acc|accel|acceleration|a){axis}$|^{axis}(?:[^a-z]|$)", bare):
            return axis
    return ""


def _columns_of(shape: _Shape, table: Reals, axis: str, told: Told, place: str) -> tuple[int, dict[str, int]]:
    """Where times and accelerations stand: as told, by their names, or in the usual order."""
    if told.time_column is not None:
        time_at = _place_of(told.time_column, shape, place)
    else:
        named = [at for at, name in enumerate(shape.names) if _TIME_NAME.search(name) and not _axis_of_name(name)]
        time_at = named[0] if named else 0
    columns = {name: _place_of(column, shape, place) for name, column in told.columns.items()}
    for at, name in enumerate(shape.names):
        if (found := _axis_of_name(name)) and at != time_at:
            columns.setdefault(found, at)
    left = [at for at in range(shape.columns) if at != time_at and at not in columns.values()]
    if axis not in columns and not columns:
        order = {1: (axis,), 2: ("x", "y"), 3: RECORDED_AXES}.get(len(left), ())
        columns = dict(zip(order, left, strict=True)) if order else {}
    if axis not in columns:
        option = f"--column {axis}=NAME or --column {axis}=NUMBER"
        names = f"its columns: {', '.join(shape.names)}" if shape.names else f"it has {shape.columns} columns"
        raise InputError.at(place, f"cannot tell which column is the acceleration of {axis}", option, names)
    return time_at, columns


def _unit_in(name: str, known: Mapping[str, float]) -> str | None:
    found = _UNIT_IN_NAME.search(name.strip())
    if found is None or not name.strip()[: found.start()].strip():
        return None
    unit = _SPELLED.get(found[1].lower(), found[1].lower())
    return unit if unit in known else None


def _seconds(values: Reals, shape: _Shape, at: int, told: Told, place: str) -> Reals:
    """Times in seconds."""
    if told.rate is not None:
        return values / told.rate
    unit = told.time_unit or (_unit_in(shape.names[at], TIME_UNITS) if shape.names else None)
    if unit is None:
        steps = np.diff(values)
        usual = float(np.median(steps)) if steps.size else math.nan
        if usual == 1.0 and (values == np.rint(values)).all():
            found = "the times count 1, 2, 3: samples, or milliseconds?"
            raise InputError.at(place, found, "--rate-hz RATE for samples, --time-unit ms for milliseconds")
        unit = "s" if usual < 0.02 else "ms" if usual < 20.0 else "us"
    if unit == INDEX:
        raise InputError.at(place, "the times count samples, and nobody says how many a second", "--rate-hz RATE")
    return values * TIME_UNITS[unit]


def _kept_forwards(times: Reals) -> NDArray[np.bool_]:
    kept: NDArray[np.bool_] = np.ones(times.size, np.bool_)
    kept[1:] = times[1:] > np.maximum.accumulate(times)[:-1]
    return kept


def _forwards(times: Reals, place: str) -> tuple[Reals, int]:
    """Times that go on, and how many did not."""
    if times.size < 2:
        raise InputError.at(place, f"{times.size} samples", "a record of 2 s or more")
    kept = _kept_forwards(times)
    back = int((~kept).sum())
    if back > BACKWARDS * times.size:
        found = f"{back:,} of {times.size:,} times do not come after the one before"
        raise InputError.at(place, found, "a time column that goes on; --time-column says which")
    return (times[kept] if back else times), back


def _acceleration_unit(table: Reals, shape: _Shape, columns: Mapping[str, int], told: Told) -> tuple[str, list[Notice]]:
    """The unit of accelerations: as told, by a column's name, or by how heavy the sensor is at rest."""
    if told.acceleration_unit is not None:
        return told.acceleration_unit, []
    for at in columns.values():
        if shape.names and (unit := _unit_in(shape.names[at], ACCELERATION_UNITS)):
            return unit, []
    rest = math.sqrt(math.fsum(float(table[:, at].mean()) ** 2 for at in columns.values()))
    for unit, scale in ACCELERATION_UNITS.items():
        if abs(rest * scale / STANDARD_GRAVITY - 1.0) < TRUE_GRAVITY:
            return unit, []
    text = "nothing says the unit of the accelerations; taken as m/s², which no frequency or damping hangs on"
    return "m/s2", [Notice(None, 1, text)]


def _checked_sampling(times: Reals, place: str, notices: list[Notice]) -> RecordSampling:
    """How it was sampled; too short and too slow is refused, what is doubtful remarked on."""
    seconds = float(times[-1] - times[0])
    if seconds < SHORTEST:
        raise InputError.at(place, f"only {seconds:.2g} s of record", f"{SHORTEST:g} s at least; 30 s tell modes well")
    sampling = sampling_of(times)
    if sampling.rate < LOWEST_RATE:
        seen = 0.4 * sampling.rate
        found = f"{sampling.rate:.3g} samples a second show nothing above {seen:.2g} Hz"
        raise InputError.at(place, found, f"{LOWEST_RATE:g} a second at least; {LOW_RATE:g} show all of a printer")
    if sampling.rate < LOW_RATE:
        text = f"{sampling.rate:.3g} samples a second: modes above {0.4 * sampling.rate:.3g} Hz cannot be seen"
        notices.append(Notice(None, 1, text))
    if seconds < SHORT:
        notices.append(Notice(None, 1, f"only {seconds:.3g} s of record: intervals are wide; 30 s tell modes well"))
    if sampling.lost:
        cut = f", in {sampling.gaps} places so many that the record is cut there" if sampling.gaps else ""
        notices.append(Notice(None, sampling.lost, f"samples were lost, and filled in{cut}", "samples"))
    if sampling.uneven > 0.02:
        text = f"times stray by {sampling.uneven:.0%} of a step from even ones; resampled at {sampling.rate:.4g} Hz"
        notices.append(Notice(None, 1, text))
    return sampling


def _clipped(values: Reals) -> int:
    """How many samples stand at an end of the scale, several in a row."""
    count = 0
    for end in (float(values.max()), float(values.min())):
        at = np.flatnonzero(values == end)
        if at.size < CLIPPED_RUN:
            continue
        runs = np.split(at, np.flatnonzero(np.diff(at) > 1) + 1) if at.size < 1_000_000 else [at]
        count += sum(run.size for run in runs if run.size >= CLIPPED_RUN)
    return count


def _check_values(accelerations: Mapping[str, Reals], axis: str, place: str, notices: list[Notice]) -> None:
    """Dead and clipped axes are refused or remarked on; an axis that moves more than the shaken one is pointed out."""
    swing = {name: float(values.std()) for name, values in accelerations.items()}
    liveliest = max(swing, key=lambda name: swing[name])
    if swing[axis] == 0.0 or swing[axis] < DEAD * swing[liveliest]:
        found = f"nothing moves in the column of {axis}: a dead axis, or another column"
        raise InputError.at(place, found, f"--column {axis}=NAME says which; check the sensor's wire")
    for name, values in accelerations.items():
        if swing[name] == 0.0:
            notices.append(Notice(None, 1, f"nothing moves in the column of {name}: that axis of the sensor is dead"))
            continue
        clipped = _clipped(values) if name == axis else 0
        if clipped > CLIPPED * values.size:
            found = f"{clipped / values.size:.1%} of the samples of {name} stand at the end of the sensor's scale"
            raise InputError.at(place, found, "a wider range of the sensor, or a gentler shake")
        if clipped > SOME_CLIPPED * values.size:
            text = f"samples of {name} stand at the end of the sensor's scale: damping comes out too high"
            notices.append(Notice(None, clipped, text, "samples", MAY_COST))
    if liveliest != axis and swing[liveliest] > SWAPPED * swing[axis]:
        text = (
            f"{axis} was shaken, but {liveliest} moves {swing[liveliest] / swing[axis]:.2g} times as much: are the "
            f"axes swapped? --column {axis}=NAME says which column is {axis}"
        )
        notices.append(Notice(None, 1, text, weight=MAY_COST))


def swapped_notice(recordings: Sequence[Recording]) -> Notice | None:
    """Where of two axes each one's record moves the other one more: a remark that they are swapped; else None."""
    towards = set()
    for one in recordings:
        swing = {name: float(values.std()) for name, values in one.accelerations.items()}
        towards.add((one.axis, max(swing, key=lambda name: swing[name])))
    if {("x", "y"), ("y", "x")} <= towards:
        text = "x moves most where y was shaken and y where x was: files or columns of the two axes are swapped"
        return Notice(None, 1, text, weight=MAY_COST)
    return None
