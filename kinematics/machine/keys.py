"""The machine file: a table of keys, one row a key, in the order of the file.

A row says what may stand there, its meaning in a maker's words, the default, outside of which span a value looks like a
slip, whether it is a limit of the printer, and which of the limits of moves change with it. The unit is in the name. To
add a key, add its row; to add a section, its class and its row in `Keys`: errors, nearest names, origins, `--set`,
candidates, the list of effective values, `machine new --full` and `guide machine` follow from the rows.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from kinematics.machine.kinds import (
    DATE,
    DOTTED_KEYS,
    FILTER_KIND,
    FLOW_KIND,
    IMPULSES,
    INNER_SHARE,
    MECHANISM_KIND,
    RECTANGLES,
    SHARE_BELOW_ONE,
    SHARE_OF_ONE,
    SQUARE_KIND,
    STEPS_KIND,
    THREE_ANGLES,
    THREE_LENGTHS,
    THREE_PLACES,
    TORQUE_KIND,
    Settings,
)
from kinematics.machine.without_limits import Economy, ProofPrint, Proven
from kinematics.toml.sections import (
    ANY_NUMBER,
    COUNT,
    COUNT_FROM_ONE,
    NAME,
    NOT_NEGATIVE,
    POSITIVE,
    TEMPERATURE,
    TEXT,
    YES_NO,
    ByName,
    Doubtful,
    Kind,
    Section,
    blocks,
    by_name,
    key,
    one_table,
    table,
)

# How a key ends and the unit that this means; longer endings first.
UNIT_ENDINGS = {
    "_c_per_s": "°C/s",
    "_per_s": "a second",
    "_per_hour": "an hour",
    "_per_year": "a year",
    "_per_month": "a month",
    "_per_kg": "a kg",
    "_per_kwh": "a kWh",
    "_per_rev": "mm a revolution",
    "_kg_m2": "kg·m²",
    "_g_cm3": "g/cm³",
    "_mm3_s": "mm³/s",
    "_mm_s2": "mm/s²",
    "_mm_s": "mm/s",
    "_mm": "mm",
    "_min": "min",
    "_deg": "°",
    "_nm": "Nm",
    "_hz": "Hz",
    "_kg": "kg",
    "_g": "g",
    "_n": "N",
    "_s": "s",
    "_c": "°C",
    "_w": "W",
}
# What a key lifts: the part of the limits of moves that changes with it; nothing where it is left out.
THE_JOB, THE_PATH, THE_AXES, THE_EXTRUDER, THE_CORNERS, THE_RATES, ALL = (
    "commanded speed",
    "path",
    "axes",
    "extruder",
    "corners",
    "rates",
    "all",
)
# Common practice, no source: they only have to tell a slip of the pen from a limit.
_FAST = Doubtful(1.0, 1500.0, "is it in mm/s, not mm/min?")
_ACCELERATION = Doubtful(20.0, 60000.0, "is it in mm/s²?")
_OVERRIDE = Doubtful(0.1, 3.0, "it is a factor: 1.5 is 150 %")
_STEP = Doubtful(0.0, 50.0, "a step of speed that a motor follows is far smaller")


def _frozen_settings(raw: Any) -> Settings:
    from kinematics.machine.names import flattened

    return Settings.frozen(dict(flattened(raw)))


# The settings of a candidate: judged against a machine where they are applied.
SETTINGS_KIND = Kind(
    'a table of settings, { "dotted.key" = value }',
    lambda raw: isinstance(raw, Mapping) and all(isinstance(key, str) for key in raw),
    _frozen_settings,
)
# Rows that several sections have.
_PRINT_ACCELERATION: Any = key(
    POSITIVE, "acceleration along the path while printing", default=None, doubtful=_ACCELERATION, lifts=THE_PATH
)
_TRAVEL_ACCELERATION: Any = key(
    POSITIVE, "acceleration along the path while travelling", default=None, doubtful=_ACCELERATION, lifts=THE_PATH
)
_COMMANDED_SPEED: Any = key(
    POSITIVE, "speed in place of the one that the job commands", default=None, doubtful=_FAST, lifts=THE_JOB
)
_FEED_OVERRIDE: Any = key(POSITIVE, "factor on commanded speeds", default=None, doubtful=_OVERRIDE, lifts=THE_JOB)
_SPEED_CAP: Any = key(POSITIVE, "greatest speed along the path", default=None, doubtful=_FAST, lifts=THE_PATH)


class Delta(Section):
    """[machine.delta]: the arms and towers of a linear delta."""

    arm_mm: float = key(
        POSITIVE, "length of the arms, joint to joint", doubtful=Doubtful(50.0, 1500.0, "is it in mm?"), lifts=ALL
    )
    tower_radius_mm: float = key(
        POSITIVE,
        "distance from the middle of the tool to the joints of the arms, with the arms upright",
        doubtful=Doubtful(30.0, 1000.0, "is it in mm?"),
        lifts=ALL,
    )
    tower_angles_deg: tuple[float, float, float] = key(
        THREE_ANGLES, "where the three towers stand, counted from +X", default=(210.0, 330.0, 90.0), lifts=ALL
    )


class Identity(Section):
    """[machine]: what the printer is called, how its motors move the tool, and how large it is."""

    name: str | None = key(TEXT, "what you call the printer", default=None)
    mechanism: str = key(MECHANISM_KIND, "how the motors move the tool", default="cartesian", lifts=ALL)
    bed_mm: tuple[float, float, float] | None = key(
        THREE_LENGTHS,
        "largest print: width, depth, height",
        default=None,
        doubtful=Doubtful(60.0, 1500.0, "is it in mm, not cm?"),
    )
    home_mm: tuple[float, float, float] = key(
        THREE_PLACES, "where homing puts the tool: X, Y, Z", default=(0.0, 0.0, 0.0)
    )
    keep_out_mm: tuple[tuple[float, float, float, float], ...] | None = key(
        RECTANGLES, "parts of the bed on which no copy may stand, such as clips: x0, y0, x1, y1", default=None
    )
    delta: Delta | None = one_table(Delta, "a table with arm_mm and tower_radius_mm", default=None)


class Axis(Section):
    """[axes.…]: what one tool axis may at most, and what it moves."""

    max_speed_mm_s: float | None = key(
        POSITIVE, "greatest speed of {axis}", default=None, doubtful=_FAST, is_limit=True, lifts=THE_AXES
    )
    max_acceleration_mm_s2: float | None = key(
        POSITIVE, "greatest acceleration of {axis}", default=None, doubtful=_ACCELERATION, is_limit=True, lifts=THE_AXES
    )
    moving_mass_kg: float | None = key(NOT_NEGATIVE, "mass that moves along {axis}", default=None, lifts=ALL)
    friction_n: float | None = key(NOT_NEGATIVE, "friction that {axis} has to overcome", default=None, lifts=ALL)


class ExtruderAxis(Axis):
    """[axes.e]: what the filament may at most as it goes into the extruder."""

    max_speed_mm_s: float | None = key(
        POSITIVE,
        "greatest speed of the filament into the extruder",
        default=None,
        doubtful=_FAST,
        is_limit=True,
        lifts=THE_EXTRUDER,
    )
    max_acceleration_mm_s2: float | None = key(
        POSITIVE,
        "greatest acceleration of the filament",
        default=None,
        doubtful=_ACCELERATION,
        is_limit=True,
        lifts=THE_EXTRUDER,
    )


class Axes(Section):
    """[axes]: the tool axes, whatever the mechanism."""

    x: Axis = table(factory=Axis)
    y: Axis = table(factory=Axis)
    z: Axis = table(factory=Axis)
    e: ExtruderAxis = table(factory=ExtruderAxis)


class Motor(Section):
    """[motors.…]: what one motor may at most, in mm of what it moves, and what it pulls."""

    max_speed_mm_s: float | None = key(
        POSITIVE, "greatest speed of what the motor moves", default=None, doubtful=_FAST, is_limit=True, lifts=ALL
    )
    max_acceleration_mm_s2: float | None = key(
        POSITIVE,
        "greatest acceleration of what the motor moves",
        default=None,
        doubtful=_ACCELERATION,
        is_limit=True,
        lifts=ALL,
    )
    torque_nm: tuple[tuple[float, float], ...] | None = key(
        TORQUE_KIND,
        "torque that the motor has at its speed, which is never above that of the last row",
        default=None,
        lifts=ALL,
    )
    mm_per_rev: float | None = key(
        POSITIVE, "travel of what it moves in one turn of the motor", default=None, lifts=ALL
    )
    rotor_inertia_kg_m2: float | None = key(NOT_NEGATIVE, "inertia of the rotor", default=None, lifts=ALL)
    usable_torque_share: float | None = key(
        SHARE_OF_ONE, "share of the torque that may be used", default=None, lifts=ALL
    )


class SpeedStep(Section):
    """[motion.speed_step_mm_s]: sudden changes of speed that a corner may ask, mm/s, instead of junction deviation."""

    x: float | None = key(
        POSITIVE, "sudden change of speed of X that a corner may ask", default=None, doubtful=_STEP, lifts=THE_CORNERS
    )
    y: float | None = key(
        POSITIVE, "sudden change of speed of Y that a corner may ask", default=None, doubtful=_STEP, lifts=THE_CORNERS
    )
    z: float | None = key(
        POSITIVE, "sudden change of speed of Z that a corner may ask", default=None, doubtful=_STEP, lifts=THE_CORNERS
    )


class PrintMoves(Section):
    """[motion.by_kind.print]: what holds for printing moves instead of [motion]."""

    print_acceleration_mm_s2: float | None = _PRINT_ACCELERATION
    commanded_speed_mm_s: float | None = _COMMANDED_SPEED
    feed_override: float | None = _FEED_OVERRIDE
    speed_cap_mm_s: float | None = _SPEED_CAP


class TravelMoves(Section):
    """[motion.by_kind.travel]: what holds for travel moves instead of [motion]."""

    travel_acceleration_mm_s2: float | None = _TRAVEL_ACCELERATION
    commanded_speed_mm_s: float | None = _COMMANDED_SPEED
    feed_override: float | None = _FEED_OVERRIDE
    speed_cap_mm_s: float | None = _SPEED_CAP


class ByKind(Section):
    """[motion.by_kind]: limits that differ between printing and travelling."""

    print: PrintMoves = table(factory=PrintMoves)
    travel: TravelMoves = table(factory=TravelMoves)


class LabelMoves(Section):
    """[motion.by_label.…]: what holds for the moves of one label instead of [motion]."""

    print_acceleration_mm_s2: float | None = _PRINT_ACCELERATION
    travel_acceleration_mm_s2: float | None = _TRAVEL_ACCELERATION
    commanded_speed_mm_s: float | None = _COMMANDED_SPEED
    feed_override: float | None = _FEED_OVERRIDE
    speed_cap_mm_s: float | None = _SPEED_CAP


class FirstLayers(Section):
    """[motion.first_layers]: layers that may keep the speeds that the file commands."""

    count: int = key(COUNT, "how many layers count as the first ones", default=0)
    keep_commanded_speed: bool = key(
        YES_NO, "whether they keep the speeds that the job commands", default=False, lifts=THE_JOB
    )


class Motion(Section):
    """[motion]: accelerations, how corners are taken, how curves are seen, lookahead, overrides.

    Exactly one corner rule is in force: `junction_deviation_mm`, or `speed_step_mm_s` where that is given; the
    other is None.
    """

    print_acceleration_mm_s2: float = key(
        POSITIVE, "acceleration along the path while printing", default=600.0, doubtful=_ACCELERATION, lifts=THE_PATH
    )
    travel_acceleration_mm_s2: float = key(
        POSITIVE, "acceleration along the path while travelling", default=800.0, doubtful=_ACCELERATION, lifts=THE_PATH
    )
    junction_deviation_mm: float | None = key(
        POSITIVE,
        "how sharply corners are taken: the larger, the faster through them",
        default=0.05,
        doubtful=Doubtful(0.001, 0.5, "corners are hardly slowed above, and nearly stopped at below"),
        lifts=THE_CORNERS,
    )
    speed_step_mm_s: SpeedStep | None = one_table(SpeedStep, "a table with at least one of x, y, z", default=None)
    extruder_step_mm_s: float | None = key(
        POSITIVE, "sudden change of the filament's speed that a corner may ask", default=None, lifts=THE_CORNERS
    )
    curve_rule: bool = key(YES_NO, "whether finely cut curves are slowed as the curves they are", default=True)
    short_run_mm: float = key(
        NOT_NEGATIVE,
        "moves up to this length are pieces of a curve rather than corners",
        default=0.05,
        doubtful=Doubtful(0.0, 1.0, "true corners count as pieces of a curve above"),
    )
    curve_window_mm: float = key(
        NOT_NEGATIVE,
        "length of path over which a curve is measured",
        default=0.25,
        doubtful=Doubtful(0.0, 5.0, "true corners count as curves above"),
    )
    arc_tolerance_mm: float = key(
        POSITIVE,
        "how far the chords of an arc may lie off it",
        default=0.01,
        doubtful=Doubtful(0.0005, 0.2, "chords are coarse above, and very many below"),
    )
    delta_piece_mm: float = key(
        POSITIVE,
        "longest piece of a move in which a delta's motors are taken to move evenly",
        default=2.0,
        doubtful=Doubtful(0.2, 25.0, "long moves are seen coarsely above, and cut to very many pieces below"),
    )
    lookahead_moves: int | None = key(COUNT_FROM_ONE, "how many moves the controller sees at once", default=None)
    feed_override: float = key(POSITIVE, "factor on commanded speeds", default=1.0, doubtful=_OVERRIDE, lifts=THE_JOB)
    speed_cap_mm_s: float | None = _SPEED_CAP
    by_kind: ByKind = table(factory=ByKind)
    by_label: ByName[LabelMoves] = by_name(LabelMoves, "a table a label, [motion.by_label.NAME]", factory=ByName)
    first_layers: FirstLayers = table(factory=FirstLayers)


class Controller(Section):
    """[controller]: what the controller takes in."""

    moves_per_s: float | None = key(POSITIVE, "moves that it takes in each second", default=None, lifts=THE_RATES)
    bytes_per_s: float | None = key(
        POSITIVE, "bytes of the job that it takes in each second", default=None, lifts=THE_RATES
    )


class Filament(Section):
    """[filament]: what is printed with."""

    diameter_mm: float = key(
        POSITIVE,
        "diameter of the filament",
        default=1.75,
        doubtful=Doubtful(1.0, 3.5, "is it the filament's diameter?"),
        lifts=THE_EXTRUDER,
    )
    density_g_cm3: float | None = key(
        POSITIVE, "weight of a cubic centimetre", default=None, doubtful=Doubtful(0.5, 9.0, "is it in g/cm³?")
    )
    price_per_kg: float | None = key(NOT_NEGATIVE, "what a kilogram costs, in your currency", default=None)
    pressure_advance_s: float | None = key(
        NOT_NEGATIVE,
        "how far the extruder runs ahead of the path, so that pressure keeps up",
        default=None,
        lifts=THE_EXTRUDER,
    )


class Hotend(Section):
    """[hotend]: the nozzle and what it melts."""

    nozzle_mm: float | None = key(
        POSITIVE, "width of the nozzle's bore", default=None, doubtful=Doubtful(0.1, 2.0, "is it in mm?")
    )
    max_flow_mm3_s: float | tuple[tuple[float, float], ...] | None = key(
        FLOW_KIND,
        "the most that melts",
        default=None,
        doubtful=Doubtful(0.5, 60.0, "is it in mm³/s?"),
        is_limit=True,
        lifts=THE_EXTRUDER,
    )


class Retraction(Section):
    """[retraction]: moves of the extruder alone, and the retraction that the controller does by itself."""

    length_mm: float | None = key(
        NOT_NEGATIVE,
        "filament pulled back where the controller retracts by itself",
        default=None,
        doubtful=Doubtful(0.0, 20.0, "is it in mm?"),
    )
    speed_mm_s: float | None = key(
        POSITIVE,
        "speed of that retraction",
        default=None,
        doubtful=Doubtful(1.0, 300.0, "is it in mm/s, not mm/min?"),
    )
    acceleration_mm_s2: float = key(
        POSITIVE,
        "acceleration of every move of the extruder alone",
        default=800.0,
        doubtful=_ACCELERATION,
        lifts=THE_PATH,
    )


class ModeOfAxis(Section):
    """One way in which an axis swings."""

    frequency_hz: float = key(POSITIVE, "how often it swings in a second")
    damping_ratio: float = key(SHARE_BELOW_ONE, "how soon the swinging dies away", default=0.0)
    frequency_uncertainty_share: float = key(
        SHARE_BELOW_ONE, "how far off the frequency may be, as a share of it", default=0.0
    )


class AxisVibration(Section):
    """[vibration.…]: how one axis swings, and the filter that its commands go through."""

    modes: tuple[ModeOfAxis, ...] | None = blocks(
        ModeOfAxis,
        "[{ frequency_hz = 48.2, damping_ratio = 0.07 }], one table a mode",
        default=None,
        meaning="the ways in which {axis} swings, the strongest first",
        lifts=ALL,
    )
    filter: str | None = key(FILTER_KIND, "filter that the commands of {axis} go through", default=None, lifts=ALL)
    filter_frequency_hz: float | None = key(
        POSITIVE,
        "frequency that the filter is made for; that of the first mode where left out",
        default=None,
        lifts=ALL,
    )
    filter_damping_ratio: float | None = key(
        SHARE_BELOW_ONE, "damping that it is made for; that of the first mode where left out", default=None, lifts=ALL
    )
    filter_impulses: tuple[tuple[float, float], ...] | None = key(
        IMPULSES, 'impulses of a filter of one\'s own (filter = "own")', default=None, lifts=ALL
    )


class Vibration(Section):
    """[vibration]: the axes on which a printer swings."""

    x: AxisVibration = table(factory=AxisVibration)
    y: AxisVibration = table(factory=AxisVibration)


class Quality(Section):
    """[quality]: what filters and swinging may cost."""

    rounding_budget_mm: float | None = key(POSITIVE, "how far the filter may cut a corner", default=None, lifts=ALL)
    rounding_split: float = key(
        INNER_SHARE,
        "share of that which speeding up and slowing down may use; corners the rest",
        default=0.5,
        lifts=ALL,
    )
    ringing_budget_mm: float | None = key(
        POSITIVE, "how far an axis may swing to either side after a single kick", default=None, lifts=ALL
    )


class Cooling(Section):
    """[cooling]: time that a layer needs."""

    shortest_layer_s: float | None = key(
        NOT_NEGATIVE,
        "a layer lasts at least this long",
        default=None,
        doubtful=Doubtful(0.0, 120.0, "every layer is stretched to it"),
        is_limit=True,
    )


class Stops(Section):
    """[stops]: how long what a job file does not say takes."""

    homing_s: float | None = key(
        NOT_NEGATIVE, "homing the axes", default=None, doubtful=Doubtful(0.0, 600.0, "is it in seconds?")
    )
    probing_s: float | None = key(
        NOT_NEGATIVE, "probing the bed", default=None, doubtful=Doubtful(0.0, 1200.0, "is it in seconds?")
    )
    pause_s: float | None = key(NOT_NEGATIVE, "a pause until somebody goes on", default=None)
    tool_change_s: float | None = key(NOT_NEGATIVE, "changing the tool", default=None)
    startup_s: float | None = key(
        NOT_NEGATIVE,
        "what passes from the start to the first move, beside heating and homing",
        default=None,
        doubtful=Doubtful(0.0, 1800.0, "is it in seconds?"),
    )
    each_layer_s: float | None = key(
        NOT_NEGATIVE,
        "what every layer takes beside its moves",
        default=None,
        doubtful=Doubtful(0.0, 30.0, "is it the time of one layer, in seconds?"),
    )
    each_retraction_s: float | None = key(
        NOT_NEGATIVE,
        "what every retraction takes beside its moves",
        default=None,
        doubtful=Doubtful(0.0, 3.0, "is it the time of one retraction, in seconds?"),
    )
    nozzle_heating_c_per_s: float | None = key(
        POSITIVE, "how fast the nozzle heats", default=None, doubtful=Doubtful(0.1, 20.0, "is it in °C a second?")
    )
    bed_heating_c_per_s: float | None = key(
        POSITIVE, "how fast the bed heats", default=None, doubtful=Doubtful(0.01, 10.0, "is it in °C a second?")
    )
    ambient_c: float | None = key(
        TEMPERATURE, "temperature of the room", default=None, doubtful=Doubtful(-10.0, 90.0, "is it in °C?")
    )


class Checked(Section):
    """[checked]: what the machine's times were held against; written by `kinematics fit`."""

    date: str | None = key(DATE, "when that was", default=None)
    prints: int | None = key(COUNT_FROM_ONE, "how many prints were timed", default=None)
    bias_share: float | None = key(
        ANY_NUMBER, "by how much prints take longer than estimated, on average, as a share", default=None
    )
    spread_share: float | None = key(NOT_NEGATIVE, "how far single prints scatter about that, as a share", default=None)
    keys: tuple[str, ...] | None = key(DOTTED_KEYS, "the keys whose ranges the prints gave", default=None)
    covariance: tuple[tuple[float, ...], ...] | None = key(
        SQUARE_KIND, "covariance of the logarithms of those keys", default=None
    )


class LadderKinds(Section):
    """[ladder]: what kind of step it is, here, to raise a limit."""

    kinds: Mapping[str, str] | None = key(
        STEPS_KIND, "limits that are another kind of step to raise than is usual", default=None
    )


class Candidate(Section):
    """[[candidate]]: a named set of settings to compare with the file's own machine."""

    name: str = key(NAME, "what it is called")
    set: Mapping[str, Any] = key(SETTINGS_KIND, "the keys that it changes, each with its value")


class Material(Candidate):
    """[[material]]: what changes with a spool: flow, pressure advance, price and the like."""


class Upgrade(Candidate):
    """[[upgrade]]: what may be bought or done to a machine: price, hours to fit it, and the settings that it brings."""

    price: float = key(NOT_NEGATIVE, "what it costs", default=0.0)
    fitting_hours: float = key(NOT_NEGATIVE, "hours of work until it is fitted", default=0.0)


class Keys(Section):
    """The whole file, section by section."""

    machine: Identity = table(factory=Identity)
    axes: Axes = table(factory=Axes)
    motors: ByName[Motor] = by_name(Motor, "a table a motor, [motors.NAME]", factory=ByName)
    motion: Motion = table(factory=Motion)
    controller: Controller = table(factory=Controller)
    filament: Filament = table(factory=Filament)
    hotend: Hotend = table(factory=Hotend)
    retraction: Retraction = table(factory=Retraction)
    vibration: Vibration = table(factory=Vibration)
    quality: Quality = table(factory=Quality)
    cooling: Cooling = table(factory=Cooling)
    stops: Stops = table(factory=Stops)
    economy: Economy = table(factory=Economy)
    ladder: LadderKinds = table(factory=LadderKinds)
    checked: Checked = table(factory=Checked)
    proof: ProofPrint = table(factory=ProofPrint)
    proven: tuple[Proven, ...] = blocks(Proven, default=(), name="proven")
    materials: tuple[Material, ...] = blocks(Material, default=(), name="material")
    candidates: tuple[Candidate, ...] = blocks(Candidate, default=(), name="candidate")
    upgrades: tuple[Upgrade, ...] = blocks(Upgrade, default=(), name="upgrade")
