"""The table of keys as people read it: a machine file with every key in it, and the pages of `guide machine`."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from textwrap import wrap
from typing import Any, NamedTuple

from kinematics.machine.file import builtin_machine
from kinematics.machine.model import Machine
from kinematics.machine.names import BLOCKS, MOTORS, SHORT_NAMES, Key, keys_below, plain_value_of, row_at, value_at
from kinematics.machine.template import EXAMPLE, OTHER_EXAMPLES, new_machine_text, number_in_toml
from kinematics.toml.files import Names, dotted_name, text_in_toml
from kinematics.toml.sections import ANY_NAME, NAME, NOT_NEGATIVE, POSITIVE, TEXT, Kind

LINE_LETTERS = 80
# What may stand at most keys, in fewer words than an error needs.
SHORTER: Mapping[Kind | None, str] = {POSITIVE: "above 0", NOT_NEGATIVE: "0 or more", TEXT: "text", NAME: "text"}
# Plausible values, by the last part of the key, of what has no default and the built-in machines leave out.
_EXAMPLES: Mapping[str, Any] = {
    "keep_out_mm": [[0, 100, 10, 120]],
    "arm_mm": 250.0,
    "tower_radius_mm": 125.0,
    "max_speed_mm_s": 300.0,
    "max_acceleration_mm_s2": 3000.0,
    "moving_mass_kg": 0.45,
    "friction_n": 4.0,
    "torque_nm": [[0, 0.4], [600, 0.34], [1500, 0.12]],
    "mm_per_rev": 40.0,
    "rotor_inertia_kg_m2": 5.4e-6,
    "usable_torque_share": 0.7,
    "print_acceleration_mm_s2": 1000.0,
    "travel_acceleration_mm_s2": 1500.0,
    "commanded_speed_mm_s": 60.0,
    "feed_override": 1.2,
    "speed_cap_mm_s": 120.0,
    "moves_per_s": 1500.0,
    "bytes_per_s": 11500.0,
    "price_per_kg": 22.0,
    "pressure_advance_s": 0.035,
    "modes": [{"frequency_hz": 48.2, "damping_ratio": 0.07, "frequency_uncertainty_share": 0.1}],
    "filter": "ZVD",
    "filter_frequency_hz": 48.2,
    "filter_damping_ratio": 0.07,
    "rounding_budget_mm": 0.1,
    "ringing_budget_mm": 0.02,
    "pause_s": 60.0,
    "tool_change_s": 12.0,
    "date": "2026-11-30",
    "start_file": "start.g",
    "end_file": "end.g",
    "nozzle_c": 210.0,
    "bed_c": 60.0,
    "key": "motion.print_acceleration_mm_s2",
    "value": 4200.0,
    "low": 4000.0,
    "high": 4400.0,
    "prints": 12,
    "bias_share": 0.01,
    "spread_share": 0.02,
    "keys": ["motion.print_acceleration_mm_s2"],
    "covariance": [[0.004]],
    "startup_s": 40.0,
    "each_layer_s": 0.3,
    "each_retraction_s": 0.05,
    "staffed": ["Mon-Fri 08:00-16:00", "Sat 09:00-12:30"],
    "time_zone": "Europe/Vienna",
    "kinds": {"hotend.max_flow_mm3_s": "setting"},
    "turnaround_min": 6.0,
    "spool_change_min": 4.0,
    "spool_g": 1000.0,
    "failed_share": 0.04,
    "failed_share_per_hour": 0.005,
    "prints_per_month": 40.0,
    "machine_cost_per_hour": 0.6,
    "machine_price": 900.0,
    "machine_years": 3.0,
    "machine_hours_per_year": 3000.0,
    "upkeep_per_year": 150.0,
    "labour_cost_per_hour": 18.0,
    "power_w": 120.0,
    "price_per_kwh": 0.3,
    "discount_rate": 0.05,
    "currency": "EUR",
    "filter_impulses": [[0.0, 0.3], [0.01, 0.4], [0.02, 0.3]],
    "name": "brisk",
    "set": {"motion.print_acceleration_mm_s2": 4000.0},
    "price": 68.0,
    "fitting_hours": 1.5,
}


class Page(NamedTuple):
    """One table of the file: its header, what it is about, and its keys."""

    header: str
    about: str
    keys: tuple[Key, ...]


def pages(machine: Machine | None = None) -> Iterator[Page]:
    """Every table of the file in its order; of the tables that the user names those of a machine, and one example."""
    examples: dict[Names, str] = {MOTORS: "e"}

    def names(path: Names) -> Sequence[str]:
        return (ANY_NAME,) if machine is None else (*value_at(machine, path), examples.get(path, "outer wall"))

    tables: dict[Names, dict[str, Key]] = {}
    for key in keys_below((), names):
        tables.setdefault(key.path[:-1], {})[key.name] = key
    for path, keys in tables.items():
        yield Page(f"[{dotted_name(path)}]", _about(path), tuple(keys.values()))
    for kind in BLOCKS:
        row = row_at((kind,))
        rows = row.inside.ROWS if row is not None and row.inside is not None else {}
        yield Page(f"[[{kind}]]", _about((kind,)), tuple(Key(name, (name,), one) for name, one in rows.items()))


def _about(path: Names) -> str:
    row = row_at(path, True)
    words = (row.inside.__doc__ or "") if row is not None and row.inside is not None else ""
    return " ".join(words.split("\n\n")[0].partition("]: ")[2].split())


def explained(key: Key) -> str:
    """What a key is, in a maker's words: meaning, unit, what may stand there, and what holds where it is left out."""
    allowed = SHORTER.get(key.row.kind, key.row.words)
    words = f"{key.meaning} ({key.unit}); {allowed}" if key.unit else f"{key.meaning}; {allowed}"
    if key.row.is_limit:
        return f"{words}; no limit where left out"
    return f"{words}; {value_in_toml(key.row.default)} where left out" if key.row.has_default else words


def wrapped(text: str, first: str, later: str) -> list[str]:
    """Lines of text, no wider than 80 columns; words with hyphens stay whole."""
    return wrap(text, LINE_LETTERS, initial_indent=first, subsequent_indent=later, break_on_hyphens=False)


def value_in_toml(value: Any) -> str:
    """A plain value as TOML writes it, on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return text_in_toml(value)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{dotted_name((key,))} = {value_in_toml(one)}" for key, one in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(value_in_toml(one) for one in value)}]"
    return number_in_toml(value)


def full_machine_text(name: str, bed_mm: Sequence[float] | str, like: str) -> str:
    """The text of a new machine file with every key in it; arguments and failures as in `new_machine_text`.

    What a built-in machine gives holds, as in the file without the other keys; these are commented out, each with an
    example.
    """
    machine = Machine.from_toml_text(new_machine_text(name, bed_mm, like), name)
    given = {row.key: row.value for row in machine.effective() if row.origin not in ("default", "not given")}
    example = builtin_machine(EXAMPLE)
    lines = [
        f"# Machine file of {text_in_toml(name.strip())}, every key in it.",
        f'# The values that hold are those of the built-in machine "{like}": a start. What stands behind a # is an',
        "# example: take the # away from the key, and from the [header] above it.",
    ]
    for page in pages(machine):
        holds = any(key.name in given for key in page.keys)
        lines += ["", *wrapped(page.about[:1].upper() + page.about[1:], "# ", "# ")]
        lines.append(page.header if holds else f"# {page.header}")
        for key in page.keys:
            value = given.get(key.name, OTHER_EXAMPLES.get(key.name))
            if value is None and len(key.path) > 1:
                value = plain_value_of(example, key)
            value = _EXAMPLES.get(key.path[-1], key.row.default) if value is None else value
            lines += wrapped(explained(key), "# ", "#   ")
            line = f"{key.path[-1]} = {value_in_toml(value)}"
            lines.append(line if key.name in given else f"# {line}")
    return "\n".join(lines) + "\n"


def guide_to_machine() -> list[str]:
    """The lines of `guide machine`, one a table or key of the file, however long."""
    lines = [
        "A machine file is TOML. Every key is optional, but for those that a table cannot do without, and carries its"
        " unit in its name."
        " A number that you do not know exactly may be a range,"
        " { low = 0.02, likely = 0.05, high = 0.10 }. NAME stands for a name of yours: of a motor (x, y, z, e; a, b of"
        " a crossed belt; t1, t2, t3 of a delta), or of a label in the job.",
    ]
    lines += ["", "Short names in settings: " + ", ".join(SHORT_NAMES) + "."]
    for page in pages():
        lines += ["", f"{page.header}  {page.about}"]
        lines += [f"  {key.path[-1]}: {explained(key)}" for key in page.keys]
    return lines
