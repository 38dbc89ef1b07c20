"""The reference of words in Markdown, made from the tables of the built-in dialects.

`python -m tests.house.words_reference` writes it. What a meaning does to the time of a job stands here in words, once;
which word means what comes from the dialects alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from kinematics.gcode.dialects import EXTRUSION, FILE_LIMITS, RS274, Dialect

PLACE = Path(__file__).resolve().parents[2] / "kinematics" / "gcode" / "WORDS.md"

HEAD = """\
# Words of job files, and what they do to the time of a job

Made from the tables in `dialects.py` by `python -m tests.house.words_reference`: change those, not this file.
A word that stands in no table is counted in the warnings and moves nothing. `--dialect FILE` adds words to these
tables or gives them another meaning; `sample_gcode/shop_dialect.toml` shows how.
"""

# Meaning -> what it does to time; a pair where the two dialects differ (extrusion, rs274).
Effect = str | tuple[str, str]
GROUPS: dict[str, dict[str, Effect]] = {
    "Moves": {
        "rapid": ("a straight move at the F in force", "a straight move without commanded speed"),
        "line": "a straight move at the F in force",
        "arc clockwise": (
            "an arc by centre (I, J, K) or radius (R); P counts whole turns, the drawn one included",
            "an arc by centre (I, J, K) or radius (R)",
        ),
        "arc counter-clockwise": ("the same, the other way round", "the same, the other way round"),
        "retract": "the controller's own retraction, by `retraction.length_mm` and `speed_mm_s` of the machine; "
        "with words of its own (but S0 or S1) it is none: counted, not used",
        "retract, or nozzle target": "the same; with words of its own the target S of nozzle P",
        "undo retraction": "the filament of the controller's own retraction, fed again",
        "home": (
            "a stop of `stops.homing_s`; the named axes are at `machine.home_mm`, X, Y and Z where no axis is named",
            "a rapid by way of the place told to `machine.home_mm`",
        ),
    },
    "What moves depend on": {
        "plane XY": "arcs lie in this plane",
        "plane ZX": "arcs lie in this plane",
        "plane YZ": "arcs lie in this plane",
        "inch": "lengths and F in inches from here on",
        "millimetre": "lengths and F in millimetres from here on",
        "absolute": ("X, Y, Z are places; E as M82 or M83 said last", "X, Y, Z and E are places"),
        "relative": "X, Y, Z and E are steps",
        "extruder absolute": "E is a place, as long as G90 holds",
        "extruder relative": "E is a step",
        "feed a minute": "F is a length a minute",
        "feed by inverse time": "F is how many such commands take a minute",
        "feed a turn": "F is a length a turn of a spindle: not guessed, no commanded speed",
        "rename position": (
            "the present place gets another name, all 0 where no axis is named; no move, no stop",
            "the present place gets another name; no move, no stop",
        ),
        "feed override": "S percent on every F after it",
        "flow override": "S percent on every E after it",
        "no motion": (
            "nothing; words after it belong to the motion on its line",
            "nothing; axis words are an error until a motion is named again",
        ),
        "program end": (
            "nothing; moves after it are counted, with a warning",
            "the end: nothing after it is read",
        ),
    },
    "Stops": {
        "dwell": ("motion rests for P milliseconds or S seconds, S wins", "motion rests for P seconds"),
        "pause": "motion rests until a person goes on: `stops.pause_s`",
        "probe": "motion rests while the bed is felt: `stops.probing_s`, once for several in a row",
        "tool change": "a T that names another tool than the one in use: motion rests for `stops.tool_change_s`",
        "finish moves": "motion comes to rest, no longer",
    },
    "Heaters": {
        "nozzle target": "heating begins and goes on beside motion",
        "bed target": "heating begins and goes on beside motion",
        "nozzle wait": "motion rests for what is left of the heating, by `stops.nozzle_heating_c_per_s`; "
        "R waits for cooling too; one for 0 degrees is none",
        "bed wait": "motion rests for what is left of the heating, by `stops.bed_heating_c_per_s`; "
        "R waits for cooling too",
    },
    "No effect on time": {
        "mode without effect on time": "nothing; words after it belong to the motion on its line",
        "no effect on time": "nothing; words after it are its own",
        "message": "nothing; the rest of its line is its text",
    },
}
LIMITS = "Limits, honoured unless told otherwise (`--file-limits`)"


def number_of(word: str) -> tuple[str, float]:
    """What words are sorted by: letter, then number."""
    return word[0], float(word[1:])


def effect(meaning: str, dialect: Dialect) -> str:
    """What a meaning does to time in a dialect. Raises KeyError for a meaning that nobody described."""
    told = next(group[meaning] for group in GROUPS.values() if meaning in group)
    return told if isinstance(told, str) else told[dialect.strict]


def table(heads: Iterable[str], rows: Iterable[Iterable[str]]) -> Iterator[str]:
    """A table in Markdown, line by line."""
    heads = list(heads)
    yield "| " + " | ".join(heads) + " |"
    yield "|" + "---|" * len(heads)
    for row in rows:
        yield "| " + " | ".join(row) + " |"
    yield ""


def words_of(dialect: Dialect, group: dict[str, Effect]) -> Iterator[tuple[str, str, str]]:
    """Words, meaning and effect, a row for each meaning that the dialect has a word for."""
    for meaning in group:
        words = sorted((word for word, known in dialect.words.items() if known == meaning), key=number_of)
        if words:
            yield ", ".join(words), meaning, effect(meaning, dialect)


def limits_of(dialect: Dialect) -> Iterator[tuple[str, str, str, str]]:
    """Word, letter and unit, and the keys of the machine that a limit stands for."""
    for row in sorted(dialect.limits, key=lambda row: number_of(row.word)):
        keys = ", ".join(f"`{key}`" for key in FILE_LIMITS[row.means][0])
        conditions = [f"beside {row.beside}"] * bool(row.beside) + [f"without {row.without}"] * bool(row.without)
        letter = " ".join([row.letter, *conditions])
        yield row.word, letter, f"{row.means} ({row.unit})", keys


def reference_text() -> str:
    """The whole reference."""
    lines = [HEAD]
    for dialect, title in ((EXTRUSION, "what printers understand (default)"), (RS274, "NIST's rules, NISTIR 6556")):
        lines += [f"## `{dialect.name}`: {title}", ""]
        for name, group in GROUPS.items():
            rows = list(words_of(dialect, group))
            if rows:
                lines += [f"### {name}", "", *table(("word", "meaning", "what it does to the time"), rows)]
        if dialect.limits:
            lines += [
                f"### {LIMITS}",
                "",
                *table(("word", "letter", "limit", "key of the machine"), limits_of(dialect)),
            ]
    lines.append(
        "T, a letter and no G or M word, names a tool: a stop of `stops.tool_change_s` where it is another one."
    )
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    PLACE.write_text(reference_text(), encoding="utf-8")
