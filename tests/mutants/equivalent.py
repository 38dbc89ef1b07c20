"""Mutants of which is proven that no test can notice them, each by file, function, and line before and after."""

from __future__ import annotations

from typing import NamedTuple


class Equivalent(NamedTuple):
    """A change of one line that changes no answer, and why."""

    path: str
    inside: str
    before: str
    after: str
    proof: str


def changed(path: str, inside: str, before: str, change: tuple[str, str], proof: str) -> Equivalent:
    """A line in which a piece stands once, or is meant where it stands last, and what it is changed to."""
    head, _, tail = before.rpartition(change[0])
    return Equivalent(f"kinematics/{path}", inside, before, f"{head}{change[1]}{tail}", proof)


FALLING, COMBINE, PASSES = "planner/falling.py", "limits/combine.py", "planner/passes.py"
MOTORS = (
    "MOTORS: Part(_motors, (*range(by.MOTOR_1_MOST, by.MOTOR_1_MOST + 3), "
    "*range(by.MOTOR_1_RAMP, by.MOTOR_1_RAMP + 3))),"
)
NO_KEY = "No key lifts this part alone and no cap lowers its columns: they are fresh, infinite, whenever it is made."

EQUIVALENT: tuple[Equivalent, ...] = (
    changed(COMBINE, "", MOTORS, ("MOTOR_1_RAMP + 3", "MOTOR_1_RAMP ^ 3"), NO_KEY),
    changed(COMBINE, "", MOTORS, ("MOTOR_1_RAMP + 3", "MOTOR_1_RAMP >> 3"), NO_KEY),
    changed(
        FALLING,
        "held_by",
        "elif bend > 0.0:",
        ("> 0.0", "!= 0.0"),
        "With slope <= 0 and bend < 0 the root is at most −slope, so that the step is none or back, and not taken.",
    ),
    changed(
        PASSES,
        "backward_pass",
        "fours = (n - 1) // 4",
        ("n - 1", "n // 1"),
        "Where n is a multiple of four the first node is lowered too, and the forward pass writes over it.",
    ),
    changed(
        "planner/ceilings.py",
        "coupled_move_ceilings",
        "one, two, three = np.uint64(0), np.uint64(min(1, motors - 1)), np.uint64(min(2, motors - 1))",
        ("(min(1, motors - 1)), np", "(min(1, motors * 1)), np"),
        "Two or three motors are coupled, so that the lesser is 1 either way.",
    ),
    changed(
        "planner/features.py",
        "rows",
        "self._numbers = np.empty(size + size // 4)",
        ("// 4", "<< 4"),
        "Only how much more memory is taken than is asked for.",
    ),
    changed(
        "vibration/path_rounding.py",
        "speed_by_rounding",
        "inner = nodes[(nodes > 0) & (nodes < speed.size - 1)]",
        ("nodes < speed", "nodes != speed"),
        "Nodes are places in an array of that size, and none is beyond its last.",
    ),
    changed(
        PASSES,
        "forward_pass",
        "gain_a, gain_b, gain_c, gain_d = gains[i], gains[i + 1], gains[i + 2], gains[i + 3]",
        ("i + 2", "i | 2"),
        "A multiple of four has no bit in common with two.",
    ),
    changed(
        PASSES,
        "look_ahead",
        "for base in range(0, last + 1, window):",
        ("last + 1", "last ** 1"),
        "The node left out sees just to the rest at the block's end: the backward pass holds it to that sum.",
    ),
    changed(
        "planner/corners.py",
        "place_ahead",
        "for j in range(corner + 1, min(last, corner + 9) + 1):",
        ("corner + 9", "corner + 10"),
        "Only how many places are looked at one by one before the search by halves, which begins at one too near.",
    ),
    changed(
        "limits/command_rate.py",
        "window_sums",
        "for i in range(last, min(last + window - 1, end)):",
        ("last + window", "last * window"),
        "The sums added to beyond lie in the stretches to come, which write over them.",
    ),
    changed(
        "limits/classes.py",
        "numbers",
        "classes = classify(moves, self._way.first_layers if has_layers else 0, conditions, labels)",
        ("else 0", "else -1"),
        "Layers are kept apart only where their number is above 0.",
    ),
    changed(
        "limits/combine.py",
        "_path",
        "if kind == PRINT or kind == TRAVEL:",
        ("kind == PRINT", "kind <= PRINT"),
        "PRINT is 0, and no kind is less.",
    ),
    changed(
        FALLING,
        "first_guess",
        "return 2.0 * near * length / (slow + math.sqrt(square + 2.0 * near * length))",
        ("return 2.0", "return 3.0"),
        "Only where Halley's method begins, which goes on until a step tells that it is there.",
    ),
    changed(
        FALLING,
        "lowest_line",
        "if tables[move, k, at, END] < fast:",
        ("< fast", "<= fast"),
        "Where no line is told the general way is taken, which comes to the same numbers.",
    ),
    changed(
        "planner/corners.py",
        "",
        "SURELY_NO_CURVE = 2.0 * math.sin(0.5 * 1.56)  "
        "# change of direction between long runs, a little beyond LEAST_ALONG",
        ("2.0 *", "2.0 **"),
        "Between long runs the chords are the runs: looked at closely, a turn beyond 1.55 rad has no curve either.",
    ),
    changed(
        "planner/ceilings.py",
        "motors_of_class",
        "second, third = min(1, motors - 1), min(2, motors - 1)",
        ("motors - 1)", "motors + 1)"),
        "Of two motors the third's columns are infinite and hold nothing; of three it is 2 either way.",
    ),
    changed(
        "planner/ceilings.py",
        "motors_of_class",
        "second, third = min(1, motors - 1), min(2, motors - 1)",
        ("motors - 1)", "motors ^ 1)"),
        "Of two motors the third's columns are infinite and hold nothing; of three it is 2 either way.",
    ),
    changed(
        "planner/corners.py",
        "corner_features",
        "for i in range(1, n + 1):",
        ("range(1", "range( 0"),
        "The first node is the stop at which the count begins: no move lies before it.",
    ),
    changed(
        "planner/ceilings.py",
        "coupled_move_ceilings",
        "if classes[i] != commonest:",
        ("!=", "is not"),
        "A class that is looked up once more has the same limits.",
    ),
    changed(
        "planner/cuts.py",
        "lead_in",
        'first = int(np.searchsorted(travelled, travelled[-1] - sight.behind - 2.0 * WINDOW_SLACK, side="right")) - 1',
        ("2.0 *", "1.0 *"),
        "Places are looked up a slack nearer than a ceiling sees: either keeps these and more.",
    ),
    changed(
        "planner/plan.py",
        "plan_moves",
        "if window > 0 and not climbing:",
        ("window > 0", "window != 0"),
        "A window is 0 or more.",
    ),
    changed(
        "planner/durations.py",
        "tell_all",
        "if holder >= 0 and w[ramps.WANTING + j] <= 0.0:",
        ("WANTING + j", "WANTING & j"),
        "Told one by one, in the general way, they come to the same numbers.",
    ),
    changed(
        PASSES,
        "look_ahead",
        "for k in range(base + 1, min(base + window, last + 1)):",
        ("last + 1", "last ** 1"),
        "The node left out sees just to the rest at the block's end: the backward pass holds it to that sum.",
    ),
    changed(
        "planner/ramps.py",
        "",
        "JUST_BELOW = 1.0 - 1e-12  # share of a speed at which what ends there is still known",
        ("1.0 -", "1.0 +"),
        "Where pieces meet both admit the same, and the last has no end: the twelfth digit of an acceleration.",
    ),
    changed(
        "planner/ceilings.py",
        "steady_ceilings",
        "_, _, _, ramp_1, ramp_2, ramp_3 = motors_of_class(inverse, int(classes[i]), 3, STEADY_SHARE)",
        (", 3,", ", 4,"),
        "There are three motors at most: the second and the third are looked up either way.",
    ),
    changed(
        "limits/combine.py",
        "_rows",
        "if varied == its_varied and scaled is its_scaled:",
        ("scaled is", "scaled =="),
        "Factors that are equal make the same limits.",
    ),
    changed(
        "limits/combine.py",
        "of",
        "if last is not None and last[0] is machine and last[1] == varied and last[2] is scaled:",
        ("] is scaled", "] == scaled"),
        "Factors that are equal make the same limits.",
    ),
    changed(
        "planner/plan.py",
        "plan_moves",
        "coupled, rounds = features.motor.shape[0] > 0, features.lead.size > 0",
        ("shape[0] > 0", "shape[0] > 1"),
        "Two or three motors are coupled, or none.",
    ),
    changed(
        "planner/ceilings.py",
        "motors_of_class",
        "second, third = min(1, motors - 1), min(2, motors - 1)",
        ("motors - 1)", "motors | 1)"),
        "Of two motors the third's columns are infinite and hold nothing; of three it is 2 either way.",
    ),
)
