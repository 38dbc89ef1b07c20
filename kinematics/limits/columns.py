"""The table of ceilings: what can bound a move or a node, one row each, and the small numbers of causes and limits.

Kernels need the numbers as names, so they stand above the table. What the table tells of a ceiling is told nowhere
else: causes and their words, what may be raised against it, what batches and jobs in blocks can do, how far it sees.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import NamedTuple

# Causes of cruising (Plan.cruise_cause) and of ramping (Plan.ramp_cause); both index the columns of Plan.seconds.
(
    COMMANDED_SPEED,
    SPEED_CAP,
    X_SPEED,
    Y_SPEED,
    Z_SPEED,
    FILAMENT_SPEED,
    MOTOR_1_SPEED,  # of the motors that move several axes at once: names in Limits.motors
    MOTOR_2_SPEED,
    MOTOR_3_SPEED,
    MOTOR_1_STEADY,  # such a motor's acceleration at steady tool speed
    MOTOR_2_STEADY,
    MOTOR_3_STEADY,
    MOVE_RATE_SPEED,  # moves, bytes that the controller takes in
    BYTE_RATE_SPEED,
    DRIVE_1,  # what a motor pulls at its speed, of cruising and of ramps: names in Limits.drives
    DRIVE_2,
    DRIVE_3,
    DRIVE_4,
    ADVANCE,  # pressure advance, of cruising and of ramps
    CORNER,
    PATH_ACCELERATION,
    X_ACCELERATION,
    Y_ACCELERATION,
    Z_ACCELERATION,
    FILAMENT_ACCELERATION,
    ROUNDING_ACCELERATION,  # how far the filter's lead or lag takes the path off while it accelerates
    MOTOR_1_ACCELERATION,
    MOTOR_2_ACCELERATION,
    MOTOR_3_ACCELERATION,
    CAUSES,
) = range(30)

# Columns of a table of limits (float64[classes, LIMITS]); infinity where there is no limit.
(
    SPEED_SHARE,  # factor on the commanded speed; 0 where the commanded speed is replaced
    SPEED_REPLACED,  # what stands in its stead (mm/s); infinity where it is not replaced
    CAP,  # speed of any move with a path (mm/s)
    X_MOST,  # speed of a tool axis (mm/s)
    Y_MOST,
    Z_MOST,
    FILAMENT_MOST,  # speed of the filament, from the extruder or from the hotend's flow (mm/s)
    PATH_RAMP,  # acceleration along the path (mm/s²)
    X_RAMP,  # acceleration of a tool axis (mm/s²)
    Y_RAMP,
    Z_RAMP,
    FILAMENT_RAMP,
    DEVIATION,  # junction deviation (mm); infinity where axis steps rule instead
    X_STEP,  # permitted sudden change of speed of an axis (mm/s)
    Y_STEP,
    Z_STEP,
    FILAMENT_STEP,
    X_KICK,  # sudden change of speed of an axis whose swing alone uses up the ringing budget (mm/s)
    Y_KICK,
    X_SWING,  # step of acceleration that does, where both swing a quarter of a period apart (mm/s²)
    Y_SWING,
    X_SWING_ADDED,  # step of acceleration that does, where both swings add up (mm/s²)
    Y_SWING_ADDED,
    MOTOR_1_MOST,  # speed of a motor that moves several axes at once (mm/s)
    MOTOR_2_MOST,
    MOTOR_3_MOST,
    MOTOR_1_RAMP,  # acceleration of such a motor (mm/s²)
    MOTOR_2_RAMP,
    MOTOR_3_RAMP,
    ROUNDING,  # the budget's share of corners: how far the path may be rounded there (mm)
    ROUNDING_RAMP,  # twice that of ramps (mm)
    MOVE_RATE,  # moves a second
    BYTE_RATE,  # bytes a second
    LIMITS,
) = range(34)


class Sight(NamedTuple):
    """How far a ceiling sees from where it holds: path (mm), on to the end of the run that lies there, and moves.

    Of the run that lies behind, no more than its length and the way to its start is seen beyond that path. Infinite
    where it sees as far as the next rest.
    """

    behind: float = 0.0
    ahead: float = 0.0
    moves_ahead: float = 0.0


class Surroundings(NamedTuple):
    """What sight depends on: the window of the curve rule (mm), the moves that the controller sees (None: all), how
    much path (mm) lies under the vibration filter on either side of a place at the fastest speed, and up to which
    length (mm) a run is short.
    """

    curve_window: float
    lookahead: int | None
    under_filter: float = math.inf
    short_run: float = 0.0


def its_own(_: Surroundings) -> Sight:
    """Nothing but the move, or the two moves at a node."""
    return Sight()


def nearby_runs(around: Surroundings) -> Sight:
    """The runs before and behind the corner: short ones take their neighbours' turn."""
    return Sight(around.short_run, 0.0)


def curve_window(around: Surroundings) -> Sight:
    """The window of the curve rule on either side."""
    return Sight(around.curve_window, around.curve_window)


def under_filter(around: Surroundings) -> Sight:
    """The path that the vibration filter takes together at the fastest speed, on either side."""
    return Sight(around.under_filter, around.under_filter)


def commands_ahead(around: Surroundings) -> Sight:
    """The moves that the controller sees; this one alone where it sees all."""
    return Sight(moves_ahead=around.lookahead or 1)


def whole_run(_: Surroundings) -> Sight:
    """All of the run that the move belongs to."""
    return Sight(math.inf, math.inf)


# What a ceiling bounds: the speed of a move, its acceleration; at a node the acceleration, or the speed.
OF_SPEED, OF_RAMP, OF_NODE_RAMP, OF_NODE_SPEED = "speed", "ramp", "acceleration at a node", "speed at a node"

# What a ceiling hangs on beside its limit: the moves and nodes alone; how much each axis changes at a node; what the
# motors of the mechanism do; what vibration filters take together; the file's commands, as the controller takes them
# in; the speed of its own move.
ON_MOVES, ON_TURNS, ON_MOTORS, ON_FILTERS = "moves", "turns", "motors", "filters"
ON_COMMANDS, ON_OWN_SPEED = "commands", "its own speed"
IN_BLOCKS = (
    ON_MOVES,
    ON_TURNS,
    ON_MOTORS,
    ON_FILTERS,
)  # what is known of every move as it comes, where motors do everywhere the same


class Raise(NamedTuple):
    """What may be raised against a ceiling: a key of the machine file, its words and unit.

    `{kind}` stands for print and travel. `motor` is the key of a motor that moves the same and nothing else.
    """

    key: str
    what: str
    unit: str
    motor: str = ""


class Ceiling(NamedTuple):
    """One row of the table.

    `bounds` what; `cause` whose seconds are its; `feature` the field of the planner's features, or ties, by which the
    limit is divided ("" for the limit itself); `column` of the table of limits (None where the numbers stand
    elsewhere); `words` what a maker calls its seconds ("" where its column's other ceiling tells), `{motor}` the name
    of a motor; `travel_words` of moves that print nothing, where they differ; `hangs_on`; `sees` how far; `raised_by`
    what may be raised against it; `motor` the place of its motor among those that have causes of their own.
    """

    bounds: str
    cause: int
    feature: str
    column: int | None
    words: str
    hangs_on: str = ON_MOVES
    sees: Callable[[Surroundings], Sight] = its_own
    raised_by: tuple[Raise, ...] = ()
    travel_words: str = ""
    motor: int = 0


def _of_axis(axis: str, limit: str, what: str, unit: str) -> tuple[Raise]:
    return (Raise(f"axes.{axis}.{limit}", f"{axis} axis {what}", unit, f"motors.{axis}.{limit}"),)


MOTORS_SPEED = Raise("motors.{motor}.max_speed_mm_s", "speed of motor", "mm/s")
MOTORS_RAMP = Raise("motors.{motor}.max_acceleration_mm_s2", "acceleration of motor", "mm/s²")

# fmt: off
CEILINGS: tuple[Ceiling, ...] = (
    Ceiling(OF_SPEED, COMMANDED_SPEED, "pace", SPEED_SHARE, "print speeds in the file",
            travel_words="travel speeds in the file",
            raised_by=(Raise("motion.by_kind.{kind}.feed_override", "{kind} speeds in the file", "×"),)),
    Ceiling(OF_SPEED, COMMANDED_SPEED, "", SPEED_REPLACED, ""),
    Ceiling(OF_SPEED, SPEED_CAP, "", CAP, "speed cap",
            raised_by=(Raise("motion.speed_cap_mm_s", "speed cap", "mm/s"),)),
    *(Ceiling(OF_SPEED, X_SPEED + i, axis, X_MOST + i, f"{axis} axis speed",
              raised_by=_of_axis(axis, "max_speed_mm_s", "speed", "mm/s")) for i, axis in enumerate("xyz")),
    Ceiling(OF_SPEED, FILAMENT_SPEED, "ratio", FILAMENT_MOST, "extruder speed",
            raised_by=(Raise("hotend.max_flow_mm3_s", "hotend flow", "mm³/s"),
                       Raise("axes.e.max_speed_mm_s", "extruder speed", "mm/s"),
                       Raise("motors.e.max_speed_mm_s", "motor e speed", "mm/s"))),
    *(Ceiling(OF_SPEED, MOTOR_1_SPEED + i, "motor", MOTOR_1_MOST + i, "motor {motor} speed", ON_MOTORS,
              raised_by=(MOTORS_SPEED,), motor=i) for i in range(3)),
    *(Ceiling(OF_SPEED, MOTOR_1_STEADY + i, "bend", MOTOR_1_RAMP + i,
              "motor {motor} acceleration at steady speed", ON_MOTORS,
              raised_by=(MOTORS_RAMP,), motor=i) for i in range(3)),
    Ceiling(OF_SPEED, MOVE_RATE_SPEED, "move_reach", MOVE_RATE, "command rate: moves", ON_COMMANDS, commands_ahead),
    Ceiling(OF_SPEED, BYTE_RATE_SPEED, "byte_reach", BYTE_RATE, "command rate: bytes", ON_COMMANDS, commands_ahead),
    *(Ceiling(OF_SPEED, DRIVE_1 + i, "loads", None, "drive of motor {motor}", ON_OWN_SPEED, whole_run, motor=i)
      for i in range(4)),
    Ceiling(OF_SPEED, ADVANCE, "ratio", None, "pressure advance", ON_OWN_SPEED, whole_run),
    Ceiling(OF_RAMP, PATH_ACCELERATION, "", PATH_RAMP, "short lines: acceleration",
            travel_words="short travels: acceleration",
            raised_by=(Raise("motion.{kind}_acceleration_mm_s2", "{kind} acceleration", "mm/s²"),)),
    *(Ceiling(OF_RAMP, X_ACCELERATION + i, axis, X_RAMP + i, f"short lines: {axis} axis acceleration",
              raised_by=_of_axis(axis, "max_acceleration_mm_s2", "acceleration", "mm/s²"))
      for i, axis in enumerate("xyz")),
    Ceiling(OF_RAMP, FILAMENT_ACCELERATION, "ratio", FILAMENT_RAMP, "short lines: extruder acceleration",
            raised_by=(Raise("axes.e.max_acceleration_mm_s2", "extruder acceleration", "mm/s²"),
                       Raise("motors.e.max_acceleration_mm_s2", "motor e acceleration", "mm/s²"))),
    Ceiling(OF_RAMP, ROUNDING_ACCELERATION, "lead", ROUNDING_RAMP, "short lines: rounding", ON_FILTERS,
            raised_by=(Raise("quality.rounding_budget_mm", "rounding budget", "mm"),)),
    *(Ceiling(OF_RAMP, MOTOR_1_ACCELERATION + i, "motor", MOTOR_1_RAMP + i,
              "short lines: motor {motor} acceleration", ON_MOTORS,
              raised_by=(MOTORS_RAMP,), motor=i) for i in range(3)),
    *(Ceiling(OF_RAMP, DRIVE_1 + i, "loads", None, "drive of motor {motor}", ON_OWN_SPEED, whole_run, motor=i)
      for i in range(4)),
    Ceiling(OF_RAMP, ADVANCE, "ratio", None, "pressure advance", ON_OWN_SPEED, whole_run),
    Ceiling(OF_NODE_RAMP, CORNER, "corner_x", X_RAMP, "", ON_MOVES, nearby_runs),
    Ceiling(OF_NODE_RAMP, CORNER, "corner_y", Y_RAMP, "", ON_MOVES, nearby_runs),
    Ceiling(OF_NODE_RAMP, CORNER, "corner_z", Z_RAMP, "", ON_MOVES, nearby_runs),
    *(
        Ceiling(OF_NODE_RAMP, CORNER, "motor_corner", MOTOR_1_RAMP + i, "", ON_MOTORS, nearby_runs, motor=i)
        for i in range(3)
    ),
    Ceiling(OF_NODE_SPEED, CORNER, "sharpness", DEVIATION, "corners", ON_MOVES, nearby_runs),
    Ceiling(OF_NODE_SPEED, CORNER, "curvature", None, "", ON_MOVES, curve_window),
    *(Ceiling(OF_NODE_SPEED, CORNER, "turn", X_STEP + i, "", ON_TURNS) for i in range(3)),
    Ceiling(OF_NODE_SPEED, CORNER, "ratio_change", FILAMENT_STEP, "", ON_TURNS),
    *(Ceiling(OF_NODE_SPEED, CORNER, "turn", X_KICK + i, "", ON_TURNS) for i in range(2)),
    *(Ceiling(OF_NODE_SPEED, CORNER, axis, X_SWING + i, "", ON_TURNS) for i, axis in enumerate("xy")),
    *(Ceiling(OF_NODE_SPEED, CORNER, axis, X_SWING_ADDED + i, "", ON_TURNS) for i, axis in enumerate("xy")),
    Ceiling(OF_NODE_SPEED, CORNER, "rounded", ROUNDING, "", ON_FILTERS, under_filter),
)
# fmt: on


def _columns(of: Callable[[Ceiling], bool]) -> tuple[int, ...]:
    """The columns of some ceilings, each once."""
    return tuple(dict.fromkeys(one.column for one in CEILINGS if one.column is not None and of(one)))


TURN_COLUMNS = _columns(lambda one: one.hangs_on == ON_TURNS)
COMMAND_COLUMNS = _columns(lambda one: one.hangs_on == ON_COMMANDS)
NODE_SPEED_COLUMNS = _columns(lambda one: one.bounds == OF_NODE_SPEED)
# The ceiling that tells what a cause is called and which number it comes from: the first of each.
OF_CAUSE: dict[int, Ceiling] = {one.cause: one for one in reversed(CEILINGS) if one.words}


def furthest(sights: Iterable[Sight]) -> Sight:
    """As far as any of several ceilings sees."""
    return Sight(*map(max, zip(Sight(), *sights, strict=True)))
