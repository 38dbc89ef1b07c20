"""What the printer is: frozen models of the machine file, one class a section, keys in the order of the file.

To add a section, write its class and name it in the section above it: errors, nearest names, origins, `--set`,
candidates and the list of effective values follow from the fields alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, NamedTuple

from pydantic import Field, PrivateAttr, model_validator
from pydantic_core import PydanticCustomError

from kinematics.machine.economy_keys import Economy, Upgrade
from kinematics.machine.laid_over import Candidate, Material
from kinematics.machine.motors import Delta, Motor
from kinematics.machine.section import Section, with_defaults
from kinematics.machine.value_kinds import (
    FlowLimit,
    MechanismName,
    NotNegativeLimit,
    PositiveLimit,
    Range,
    ThreeLengths,
    ThreePlaces,
)
from kinematics.machine.vibration_keys import Controller, Quality, Vibration
from kinematics.toml.named_sections import NamedSections
from kinematics.toml.value_kinds import (
    Allowed,
    Count,
    CountFromOne,
    NotNegative,
    Positive,
    Temperature,
    Text,
    YesNo,
)

GIVEN_IN_CODE = "given in code"
DEFAULT = "default"
NOT_GIVEN = "not given"


class EffectiveValue(NamedTuple):
    """One key as it holds: dotted key, plain value (None where not given), and where the value comes from.

    A range is a table of three numbers here, as it is in the file.
    """

    key: str
    value: Any
    origin: str


class Identity(Section):
    """[machine]: name, mechanism, size of the bed (mm), where homing puts the tool (mm), a delta's arms and towers."""

    name: Text | None = None
    mechanism: MechanismName = "cartesian"
    bed_mm: ThreeLengths | None = None
    home_mm: ThreePlaces = (0.0, 0.0, 0.0)
    delta: Annotated[Delta | None, Allowed("a table with arm_mm and tower_radius_mm")] = None


class Axis(Section):
    """[axes.…]: what one tool axis may at most (mm/s, mm/s²), None is no limit; moved mass (kg), friction (N)."""

    max_speed_mm_s: PositiveLimit = None
    max_acceleration_mm_s2: PositiveLimit = None
    moving_mass_kg: NotNegative | None = None
    friction_n: NotNegative | None = None


class Axes(Section):
    """[axes]: the tool axes, whatever the mechanism."""

    x: Axis = with_defaults()
    y: Axis = with_defaults()
    z: Axis = with_defaults()
    e: Axis = with_defaults()


class SpeedStep(Section):
    """Permitted sudden change of speed of each tool axis at a corner (mm/s); None is no limit."""

    x: Positive | None = None
    y: Positive | None = None
    z: Positive | None = None

    @model_validator(mode="after")
    def _names_an_axis(self) -> SpeedStep:
        if self.x is None and self.y is None and self.z is None:
            raise PydanticCustomError("no_speed_step", "a speed step names at least one axis")
        return self


class PrintMoves(Section):
    """[motion.by_kind.print]: what holds for printing moves instead of [motion]; None leaves [motion] in force."""

    print_acceleration_mm_s2: Positive | None = None
    commanded_speed_mm_s: Positive | None = None
    feed_override: Positive | None = None
    speed_cap_mm_s: Positive | None = None


class TravelMoves(Section):
    """[motion.by_kind.travel]: what holds for travel moves instead of [motion]; None leaves [motion] in force."""

    travel_acceleration_mm_s2: Positive | None = None
    commanded_speed_mm_s: Positive | None = None
    feed_override: Positive | None = None
    speed_cap_mm_s: Positive | None = None


class ByKind(Section):
    """[motion.by_kind]: limits that differ between printing and travelling."""

    print: PrintMoves = with_defaults()
    travel: TravelMoves = with_defaults()


class LabelMoves(Section):
    """[motion.by_label.…]: what holds for the moves of one label instead of [motion]; None leaves that in force."""

    print_acceleration_mm_s2: Positive | None = None
    travel_acceleration_mm_s2: Positive | None = None
    commanded_speed_mm_s: Positive | None = None
    feed_override: Positive | None = None
    speed_cap_mm_s: Positive | None = None


class FirstLayers(Section):
    """[motion.first_layers]: how many layers, and whether they keep the speeds that the file commands."""

    count: Count = 0
    keep_commanded_speed: YesNo = False


class Motion(Section):
    """[motion]: accelerations (mm/s²), the corner rule, how curves and short runs are seen, lookahead, overrides.

    `delta_piece_mm` is how long a piece of a move may be in which a delta's motors are seen as one.

    Exactly one corner rule is in force: `junction_deviation_mm`, or `speed_step_mm_s` where that is given; the
    other is None.
    """

    print_acceleration_mm_s2: Positive = 600.0
    travel_acceleration_mm_s2: Positive = 800.0
    junction_deviation_mm: Positive | None = 0.05
    speed_step_mm_s: Annotated[SpeedStep | None, Allowed("a table with at least one of x, y, z")] = None
    extruder_step_mm_s: Positive | None = None
    curve_rule: YesNo = True
    short_run_mm: NotNegative = 0.05
    curve_window_mm: NotNegative = 0.25
    arc_tolerance_mm: Positive = 0.01
    delta_piece_mm: Positive = 2.0
    lookahead_moves: CountFromOne | None = None
    feed_override: Positive = 1.0
    speed_cap_mm_s: Positive | None = None
    by_kind: ByKind = with_defaults()
    by_label: Annotated[NamedSections[LabelMoves], Allowed("a table a label, [motion.by_label.NAME]")] = with_defaults()
    first_layers: FirstLayers = with_defaults()

    @model_validator(mode="before")
    @classmethod
    def _speed_step_switches_junction_deviation_off(cls, given: Any) -> Any:
        if isinstance(given, Mapping) and given.get("speed_step_mm_s") is not None:
            return {"junction_deviation_mm": None, **given}
        return given

    @model_validator(mode="after")
    def _one_corner_rule(self) -> Motion:
        if (self.junction_deviation_mm is None) == (self.speed_step_mm_s is None):
            raise PydanticCustomError("corner_rule", "either junction_deviation_mm or speed_step_mm_s, and one of them")
        return self


class Filament(Section):
    """[filament]: diameter (mm), density (g/cm³), price of a kilogram in the user's currency, pressure advance (s)."""

    diameter_mm: Positive = 1.75
    density_g_cm3: Positive | None = None
    price_per_kg: NotNegative | None = None
    pressure_advance_s: NotNegative | None = None


class Hotend(Section):
    """[hotend]: width of the nozzle's bore (mm), and the most that melts (mm³/s), as a number or against °C."""

    nozzle_mm: Positive | None = None
    max_flow_mm3_s: FlowLimit = None


class Retraction(Section):
    """[retraction]: length (mm) and speed (mm/s) of the retraction that the controller does by itself; acceleration
    of every move of the extruder alone (mm/s²).
    """

    length_mm: NotNegative | None = None
    speed_mm_s: Positive | None = None
    acceleration_mm_s2: Positive = 800.0


class Cooling(Section):
    """[cooling]: the least that a layer takes (s)."""

    shortest_layer_s: NotNegativeLimit = None


class Stops(Section):
    """[stops]: what a job file does not say: lengths (s), heating rates (°C/s), temperature of the room (°C)."""

    homing_s: NotNegative | None = None
    probing_s: NotNegative | None = None
    pause_s: NotNegative | None = None
    tool_change_s: NotNegative | None = None
    nozzle_heating_c_per_s: Positive | None = None
    bed_heating_c_per_s: Positive | None = None
    ambient_c: Temperature | None = None


class Machine(Section):
    """The whole machine file; `Machine()` is the one with nothing given. Two machines are equal if all values are.

    A key that is given as a range has its likely value; `ranges` tells the rest.
    """

    machine: Identity = with_defaults()
    axes: Axes = with_defaults()
    motors: Annotated[NamedSections[Motor], Allowed("a table a motor, [motors.NAME]")] = with_defaults()
    motion: Motion = with_defaults()
    controller: Controller = with_defaults()
    filament: Filament = with_defaults()
    hotend: Hotend = with_defaults()
    retraction: Retraction = with_defaults()
    vibration: Vibration = with_defaults()
    quality: Quality = with_defaults()
    cooling: Cooling = with_defaults()
    stops: Stops = with_defaults()
    economy: Economy = with_defaults()
    materials: tuple[Material, ...] = Field(default=(), alias="material")
    candidates: tuple[Candidate, ...] = Field(default=(), alias="candidate")
    upgrades: tuple[Upgrade, ...] = Field(default=(), alias="upgrade")

    _origins: dict[str, str] = PrivateAttr(default_factory=dict)
    _source: str = PrivateAttr(default="")
    _ranges: tuple[tuple[str, Range], ...] = PrivateAttr(default=())

    def model_post_init(self, context: Any) -> None:
        """Note the keys given in code as such; loading says later where they stand."""
        from kinematics.machine.keys import given_keys

        self._origins = dict.fromkeys(given_keys(self), GIVEN_IN_CODE)

    def _came_from(self, origins: Mapping[str, str], source: str) -> Machine:
        """Note where the given keys come from; only for a machine that nobody else holds yet."""
        self._origins = {key: origins.get(key, origin) for key, origin in self._origins.items()}
        self._source = source
        return self

    def _with_ranges(self, ranges: Mapping[str, Range]) -> Machine:
        """Note which values are the likely ones of ranges; only for a machine that nobody else holds yet."""
        self._ranges = tuple(sorted(ranges.items()))
        return self

    @classmethod
    def from_toml_text(cls, text: str, name: str) -> Machine:
        """Read the machine from TOML text; `name` stands before the line in messages. Raises InputError."""
        from kinematics.machine.loading import machine_from_text

        return machine_from_text(text, name)

    @classmethod
    def from_file(cls, path: str | Path) -> Machine:
        """Read the machine from a TOML file. Raises InputError with every finding."""
        from kinematics.machine.loading import machine_from_file

        return machine_from_file(path)

    def with_settings(self, settings: Mapping[str, Any], origin: str = "--set") -> Machine:
        """The machine with some keys changed; None takes a key out again. Raises InputError with every finding.

        Keys are dotted keys of the file, or the short names acceleration, corner, flow, speed. Giving one corner
        rule takes the other out; giving a number takes the range out. `origin` names the place in messages and in
        `origin_of`.
        """
        from kinematics.machine.settings import machine_with_settings

        return machine_with_settings(self, settings, origin)

    @property
    def name(self) -> str:
        """The name in the file, or what was loaded where the file gives none."""
        return self.machine.name or self._source or "unnamed"

    @property
    def ranges(self) -> Mapping[str, Range]:
        """The ranges by dotted key, in the order of their names; empty where every value is known as one number."""
        return dict(self._ranges)

    @property
    def source(self) -> str:
        """What was loaded: the file, `built-in …`, or nothing."""
        return self._source

    def value_of(self, key: str) -> Any:
        """The plain value of a dotted key, None where it is not given. Raises InputError for an unknown key."""
        from kinematics.machine.keys import key_named, plain_value_of

        return plain_value_of(self, key_named(key))

    def origin_of(self, key: str) -> str:
        """Where the value of a dotted key comes from: `file:line`, `built-in …`, `--set`, `default`, `not given`.

        A table (`motion.speed_step_mm_s`) comes from where its first given key does. Raises InputError for an
        unknown key.
        """
        from kinematics.machine.keys import is_section, key_named, keys_of_section, plain_value_of

        if is_section(key):
            inside = keys_of_section(key, self)
            return next((self._origins[one.name] for one in inside if one.name in self._origins), NOT_GIVEN)
        found = key_named(key)
        fallback = NOT_GIVEN if plain_value_of(self, found) is None else DEFAULT
        return self._origins.get(found.name, fallback)

    def effective(self) -> list[EffectiveValue]:
        """Every key in the order of the file with its value and origin, defaults and keys not given included.

        Keys by label are those of the labels that the machine names.
        """
        from kinematics.machine.keys import all_keys, plain_value_of

        rows = []
        origins, ranges = self._origins, self.ranges
        for key in all_keys(self):
            value = plain_value_of(self, key)
            fallback = NOT_GIVEN if value is None else DEFAULT
            if key.name in ranges:
                value = ranges[key.name].as_dict()
            rows.append(EffectiveValue(key.name, value, origins.get(key.name, fallback)))
        return rows

    def limits_not_given(self) -> list[str]:
        """The dotted keys of the printer's limits that are left out, in the order of the file.

        Of the motors those that move several axes at once, or one unevenly: any other says no more than its axis.
        """
        from kinematics.machine.keys import limit_keys, plain_value_of
        from kinematics.machine.mechanisms import mechanism_of

        return [key.name for key in limit_keys(mechanism_of(self).coupled) if plain_value_of(self, key) is None]

    def as_dict(self) -> dict[str, Any]:
        """The effective values as nested plain data for JSON; what may be laid over the machine is no part of them.

        Where there are ranges they stand beside the sections, under `ranges`, by dotted key.
        """
        values = self.model_dump(mode="json", exclude={"candidates", "materials", "upgrades"})
        return values | ({"ranges": {key: one.as_dict() for key, one in self._ranges}} if self._ranges else {})

    def check(self) -> list[str]:
        """What is legal but doubtful, a sentence each; empty where nothing is."""
        from kinematics.machine.doubts import doubts_about

        return doubts_about(self)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Machine):
            return NotImplemented
        return self.__dict__ == other.__dict__ and self._ranges == other._ranges

    def __hash__(self) -> int:
        return hash((*self.__dict__.values(), self._ranges))

    def __repr__(self) -> str:
        from kinematics.machine.keys import all_keys, plain_value_of, unit_of
        from kinematics.wording import value_text

        limits: dict[str, list[str]] = {}
        for key in all_keys(self):
            value = plain_value_of(self, key)
            if key.is_limit and value is not None:
                limits.setdefault(".".join(key.path[:-1]), []).append(f"{value_text(value)} {unit_of(key)}")
        told = [f"{section} {', '.join(values)}" for section, values in limits.items()]
        return f"<Machine {'; '.join([repr(self.name), *told])}>"

    __str__ = __repr__
