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
        "planner/tied.py",
        "find_tied",
        "over = (most[k] + delay * own[k]) * ratio[i] - limit",
        ("- limit", "// limit"),
        "Only its sign is asked for; just at the limit one move more is looked at, and found to be held by nothing.",
    ),
)
