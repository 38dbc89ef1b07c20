"""Mutants of which is proven that no test can notice them, each by file, function, and line before and after."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[2]


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


def each(
    path: str, inside: str, before: str, piece: str, others: tuple[str, ...], proof: str
) -> tuple[Equivalent, ...]:
    """Several changes of one piece of a line, for one reason."""
    return tuple(changed(path, inside, before, (piece, other), proof) for other in others)


def everywhere(path: str, pattern: str, others: tuple[str, ...], proof: str) -> Iterator[Equivalent]:
    """The changes of every place of a source that a `pattern` of its lines finds, for one reason."""
    source = (ROOT / "kinematics" / path).read_text(encoding="utf-8")
    inside: dict[int, str] = {}
    for node in ast.walk(ast.parse(source)):  # what lies further inside comes later
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            inside |= dict.fromkeys(range(node.lineno, (node.end_lineno or 0) + 1), node.name)
    for number, line in enumerate(source.splitlines(), start=1):
        for found in re.finditer(pattern, line):
            for other in others:
                after = line[: found.start()] + found.expand(other) + line[found.end() :]
                yield Equivalent(f"kinematics/{path}", inside.get(number, ""), line.strip(), after.strip(), proof)


FALLING, COMBINE, PASSES, TIED = "planner/falling.py", "limits/combine.py", "planner/passes.py", "planner/tied.py"
LAST = "if last is not None and last[0] is machine and last[1] == varied and last[2] == scaled:"
MADE = "if made is None or made[0] is not base or made[1] != varied or made[2] != scaled:"
MADE_AGAIN = "Limits that are made once more are the same."
DRIVES = "by_speed |= {by.DRIVE_1 + i: True for i in range(len(self.drives.names) if self.drives is not None else 0)}"
HOLDS = "if given[one.column] if one.column is not None else by_speed.get(one.cause, one.hangs_on == by.ON_MOVES):"
NO_COLUMN = "What has no column hangs on `moves`, always the same word, or on its own speed, a word before that."
PIECES = "if held[k] & (1 << PIECED + motor):"
FILTERED, ROUNDED, LEADS = "planner/filtered.py", "vibration/path_rounding.py", "_leads_between"
LEAD = "lead = leads_between(features.length, features.change[: lead.size] > 0.0, rests, lead, most, filtered.budget)"
AHEAD = "while ahead < behind and k < runs and not rests[k]:"
BESIDE_ITSELF = "A run beside itself adds nothing to its own lead; where it begins at rest nothing lies behind it."
FIRST_RUN = "The first run has nothing behind it, in one piece or in two, so that nobody asks where it begins."
PLACES = "places = np.append(np.concatenate([[0.0], np.cumsum(lengths)])[first], lengths.sum())"
SHARED = "shared = _leads_between(places, leads[first], np.append(rests[first], True), most, NEAR * budget)"
RESIDUAL, CLOSER = "vibration/residual.py", "closer = np.linspace(left, right, CLOSER + 1)"
TOPS = "tops = (seen >= around[:-2]) & (seen >= around[2:]) & (seen >= NEARLY_HIGHEST * worst)"
AROUND = "around = np.concatenate([[0.0], seen, [0.0]])"
LOOKED_AT = "True at least where all are: more places are looked at, and nothing is found above the highest."
LEFT_OUT = "Only how soon runs are left out that count for less than what is found."
ENDS = "A chain of one piece ends where `find_tied` has it, by the same formula; one that does not hold ends nowhere."

CEILINGS, CORNERS, BATCH, PLAN = "planner/ceilings.py", "planner/corners.py", "planner/batch.py", "planner/plan.py"
VOTES = "votes += 1 if found == chosen else -1"
ANY_CLASS = "Whichever class of the block is taken for the commonest: moves of other classes are done by themselves."
ANY_TABLE = "Whichever of the tables the seconds are added to: they are summed."
ANY_BLOCK = "Only how long a block is: wherever it is cut, its own ceiling holds it there."
ROOM = "Only how much room there is to spare for a larger job."
ONCE_MORE = "Where the corner's own turn is the widest, the same numbers are written once more."
NOT_TAKEN = "Taken only where a turn across a short run has been put in its place."
PATH_ENDS = "Whatever is below 0 is an end of the path."
FILES = (BATCH, CEILINGS, CORNERS, PLAN, PASSES, "planner/cuts.py", "planner/features.py", "planner/ties.py")
ARITHMETIC = (" + ", " - ", " ** ", " >> ", " << ", " | ", " & ", " ^ ")

FOURS = "A multiple of four has no bit in common with one, two or three."
FORWARD = (
    ("a, b, c, d = nodes[i + 1], nodes[i + 2], nodes[i + 3], nodes[i + 4]", (1, 2, 3)),
    ("gain_a, gain_b, gain_c, gain_d = gains[i], gains[i + 1], gains[i + 2], gains[i + 3]", (1, 2, 3)),
    ("nodes[i + 1] = min(a, square + gain_a)", (1,)),
    ("nodes[i + 2] = min(b, square + gain_b)", (2,)),
    ("nodes[i + 3] = min(c, square + gain_c)", (3,)),
)

# Said of every place where it is so.
FAMILIES: tuple[Iterator[Equivalent], ...] = (
    *(everywhere(path, r"(size|shape\[0\]) > 0\b", (r"\1 != 0",), "A size is 0 or more.") for path in FILES),
    everywhere(
        "planner/ramps.py", r"\b([A-Z_]+) \+ j\b", (r"\1 | j", r"\1 ^ j"), "Rows begin at multiples of 64; j is below."
    ),
    everywhere(
        "planner/durations.py", r"(ramps\.[A-Z_]+) \+ j\b", (r"\1 | j", r"\1 ^ j"), "Rows begin at multiples of 64."
    ),
    everywhere(
        CEILINGS, r"shape\[0\] > 0 else 1\.0", ("shape[0] > 1 else 1.0",), "Motors accelerate so on a delta: all three."
    ),
    everywhere(
        PLAN,
        r"SECONDS_TABLES - 1\b",
        ("SECONDS_TABLES % 1", "SECONDS_TABLES >> 1", "SECONDS_TABLES & 1", "SECONDS_TABLES - 2"),
        ANY_TABLE,
    ),
    everywhere(
        "planner/durations.py",
        r"\blanes - 1\b",
        ("lanes % 1", "lanes >> 1", "lanes & 1", "lanes - 2"),
        ANY_TABLE,
    ),
    everywhere("planner/features.py", r"\bsize // 4\b", ("size % 4", "size | 4"), ROOM),
    everywhere(PLAN, r"\bchains > 0\b", ("chains != 0",), "Chains are counted."),
    everywhere(PLAN, r"\bsize == 0\b", ("size <= 0",), "A size is 0 or more."),
    everywhere(PLAN, r"ADVANCE_DELAY\] > 0\.0", ("ADVANCE_DELAY] != 0.0",), "A delay is 0 or more."),
    *(everywhere(path, r"\bwindow > 0\b", ("window != 0",), "A window is 0 or more.") for path in (BATCH, PLAN)),
    everywhere(PLAN, r"i & np\.uint64\(SECONDS_TABLES - 1\)", ("i % np.uint64(SECONDS_TABLES - 1)",), ANY_TABLE),
)

EQUIVALENT: tuple[Equivalent, ...] = (
    *dict.fromkeys(one for family in FAMILIES for one in family),
    *(
        changed(PASSES, "forward_pass", line, (f"i + {k}", f"i {operator} {k}"), FOURS)
        for line, places in FORWARD
        for k in places
        for operator in "|^"
    ),
    *each(CEILINGS, "commonest_class", VOTES, "==", ("!=", "<", "<=", ">", ">=", "is", "is not"), ANY_CLASS),
    *each(CEILINGS, "commonest_class", VOTES, "1 if", ("2 if", "0 if"), ANY_CLASS),
    *each(CEILINGS, "commonest_class", VOTES, "-1", ("+1", "~1", "not 1", "1", "- 2", "- 0"), ANY_CLASS),
    *each(CEILINGS, "commonest_class", VOTES, "if found", ("if not found",), ANY_CLASS),
    *each(CEILINGS, "commonest_class", "if votes == 0:", "==", ("!=", "<", "<=", ">", ">="), ANY_CLASS),
    *each(CEILINGS, "commonest_class", "if votes == 0:", "votes ==", ("not votes ==",), ANY_CLASS),
    *each(CEILINGS, "commonest_class", "if votes == 0:", " 0", (" 1", " -1"), ANY_CLASS),
    *each(
        BATCH,
        "batch_moves",
        "if m == 0 or (2 * m < size and not last):",
        " * ",
        (*ARITHMETIC, " / ", " // ", " % "),
        ANY_BLOCK,
    ),
    *each(
        BATCH,
        "batch_moves",
        "if m == 0 or (2 * m < size and not last):",
        "<",
        ("==", "!=", "<=", ">", ">=", "is", "is not"),
        ANY_BLOCK,
    ),
    *each(BATCH, "batch_moves", "if m == 0 or (2 * m < size and not last):", "(2", ("( 3", "( 1"), ANY_BLOCK),
    *each(PLAN, "plan_moves", "if 2 * m < size and not last:", " * ", ARITHMETIC, ANY_BLOCK),
    *each(PLAN, "plan_moves", "if 2 * m < size and not last:", "<", ("!=", "<=", "is not"), ANY_BLOCK),
    *each(PLAN, "plan_moves", "if 2 * m < size and not last:", "2", (" 3", " 1"), ANY_BLOCK),
    *each(
        CORNERS,
        "corner_features",
        "earlier, after, widest = node - 1, node, corners[CHANGE, node]",
        " - 1",
        (" + 1", " * 1", " // 1", " ** 1", " << 1", " | 1", " ^ 1", " - 0"),
        NOT_TAKEN,
    ),
    *each(CORNERS, "corner_features", "if after - earlier > 1:", "> 1", (">= 1", "!= 1", "is not 1", "> 0"), ONCE_MORE),
    *each(CORNERS, "corner_features", "if after - earlier > 1:", "-", ("+", "|"), ONCE_MORE),
    changed(
        BATCH,
        "_time_row",
        "if size >= n - begin:",
        (">=", ">"),
        "The whole stretch once more ends where it did: no node can end it.",
    ),
    *each(
        BATCH,
        "batch_features",
        "filters = (2 + (f.reached.size > 0)) if f.lead.size else 0",
        "> 0",
        (">= 0", "> -1"),
        "What rest is reached with is read only where it is given.",
    ),
    changed(
        "limits/columns.py",
        "",
        "NODE_SPEED_COLUMNS = _columns(lambda one: one.bounds == OF_NODE_SPEED)",
        ("==", ">="),
        "Of the words for what a ceiling bounds it is the last in the alphabet.",
    ),
    *each(
        "planner/features.py",
        "make_features",
        "normals = corners[CORNER_X : CORNER_Z + 1]",
        "+",
        ("|", "^"),
        "CORNER_Z is 4, which has no bit in common with 1.",
    ),
    changed(
        PLAN,
        "plan_moves",
        "coupled, rounds = features.motor.shape[0] > 0, features.lead.size > 0",
        ("shape[0] > 0", "shape[0] > 1"),
        "Two or three motors are coupled, or none.",
    ),
    changed(
        CORNERS,
        "curvature_at",
        "if behind == corner - 1 and ahead == corner + 1:",
        ("behind ==", "behind >="),
        "The place behind is never nearer than the neighbour.",
    ),
    changed(
        CORNERS,
        "curvature_at",
        "if behind == corner - 1 and ahead == corner + 1:",
        ("ahead ==", "ahead <="),
        "The place ahead is never nearer than the neighbour.",
    ),
    *each(
        "planner/features.py",
        "rows",
        "if self._numbers.size < size:",
        "<",
        ("<=", "!=", "is not"),
        "Fresh memory is as good.",
    ),
    *each(
        "planner/features.py",
        "rows",
        "if self._rest.size < n + 1:",
        "<",
        ("<=", "!=", "is not"),
        "Fresh memory is as good.",
    ),
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
        "if tables[move, k, at, UP_TO] < fast:",
        ("< fast", "<= fast"),
        "Where no line is told the general way is taken, which comes to the same numbers.",
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
        "planner/durations.py",
        "tell_all",
        "if holder >= 0 and w[ramps.WANTING_AT + j] <= 0.0:",
        ("WANTING_AT + j", "WANTING_AT & j"),
        "Told one by one, in the general way, they come to the same numbers.",
    ),
    changed(
        "planner/ramps.py",
        "",
        "JUST_BELOW = 1.0 - 1e-12  # share of a speed at which what ends there is still known",
        ("1.0 -", "1.0 +"),
        "Where pieces meet both admit the same, and the last has no end: the twelfth digit of an acceleration.",
    ),
    changed(
        "planner/features.py",
        "",
        "NO_MOTORS = MotorFeatures(np.empty((0, 0)), np.empty((0, 0)), np.empty((0, 0)))",
        ("0, 0", "0, 1"),
        "Where there are no rows nobody asks for columns.",
    ),
    *each(
        "limits/columns.py",
        "",
        '*(Ceiling(OF_RAMP, X_ACCELERATION + i, axis, X_RAMP + i, f"short lines: {axis} axis acceleration",',
        "X_RAMP + i",
        ("X_RAMP | i", "X_RAMP ^ i"),
        "X_RAMP is 8, and i is below 3.",
    ),
    *each(
        CORNERS,
        "place_ahead",
        "low, high = min(last, corner + 9), last  # travelled[low] < mark, or low == last",
        "corner + 9",
        ("corner % 9", "corner // 9", "corner & 9", "corner >> 9"),
        "A search by halves that begins at the corner or before it finds the same place.",
    ),
    *each(
        "planner/cuts.py",
        "before_run",
        "ends = np.flatnonzero((features.change[: first + 1] > 0.0) | (features.rest[: first + 1] != 0))",
        "|",
        ("^", "+"),
        "Where motion rests no direction changes.",
    ),
    changed(
        "planner/cuts.py",
        "last_known",
        "pending = run_ends[(behind < sight.ahead) | (behind == 0.0)]",
        ("|", "+"),
        "Of truths the sum is the union.",
    ),
    *(
        one
        for line in ("move = -1 if rests[move] else move - 1", "move = -1 if rests[move + 1] else move + 1")
        for one in each("vibration/path_rounding.py", "_speeds_by_rounding", line, "= -1", ("= ~1", "= - 2"), PATH_ENDS)
    ),
    changed(
        "planner/tied.py",
        "look_ahead_up",
        "square, met = 0.0, -1",
        ("-1", "- 2"),
        "Below every node, as before.",
    ),
    changed(
        "planner/cuts.py",
        "_all_settled",
        "for node, left in zip(pending.tolist(), ahead.tolist(), strict=True):",
        ("True", "False"),
        "There are as many of each: one is made of the other.",
    ),
    changed(
        "planner/cuts.py",
        "is_settled",
        "if features.lead.size > 0:",
        ("> 0", "> 1"),
        "Where there is a corner there are two moves.",
    ),
    *each(
        "vibration/filters.py",
        "",
        "@lru_cache(maxsize=64)",
        "64",
        (" 63", " 65"),
        "How many answers are kept changes none.",
    ),
    changed(
        "limits/drive.py",
        "jacobians",
        "directions = np.eye(3)[:, :, None] * np.ones(places.shape[1])",
        ("] *", "] /"),
        "Times one is over one.",
    ),
    changed(CEILINGS, "commonest_class", "votes = 0", ("0", "1"), ANY_CLASS),
    changed(
        "planner/tied.py",
        "tie_corners",
        "is_lowered |= alpha[at] - beta[at] * speed[k] < bend[k] * nodes[k]",
        (" < ", " <= "),
        "Where both are equal the root is the node's own speed.",
    ),
    changed(
        "planner/durations.py",
        "tied_durations",
        "laid += 1 if kinds[k] == LAID or (kinds[k] == STEADY and held[k] >= 1 << PIECED) else 0",
        ("1 << PIECED", "1 * PIECED"),
        "What is admitted at a steady speed is the same number, looked up one by one.",
    ),
    changed(
        BATCH,
        "_time_row",
        "passed = np.zeros((max(1, marks.size), LANES))",
        ("max(1", "max( 2"),
        "A row that nobody reads.",
    ),
    *each(
        "planner/ramps.py",
        "",
        "MOST_AT_ONCE = 64",
        "64",
        ("65", "63"),
        "How many moves go at a time: each is by itself.",
    ),
    changed(
        "vibration/path_rounding.py",
        "_rounding_along",
        "while at + 1 < moves and starts[at + 1] <= time:",
        ("at + 1 <", "at + 1 !="),
        "A place goes on by one at a time, from the first of some moves.",
    ),
    changed(
        PASSES,
        "backward_pass",
        "fours = (n - 1) // 4",
        ("n - 1", "n % 1"),
        "What does not go by fours goes one by one.",
    ),
    changed(
        "limits/command_rate.py",
        "window_sums",
        "for i in range(last, min(last + window - 1, end)):",
        ("window - 1", "window * 1"),
        "What is added where the next stretch begins is written over by that one.",
    ),
    *(changed(COMBINE, "of", LAST, (f"[{k}] ==", f"[{k}] is"), MADE_AGAIN) for k in (1, 2)),
    *(changed(COMBINE, "_made_of", MADE, (f"[{k}] !=", f"[{k}] is not"), MADE_AGAIN) for k in (1, 2)),
    changed(COMBINE, "in_force", DRIVES, ("else 0", "else -1"), "A range that ends below nothing is empty as well."),
    *each(COMBINE, "in_force", HOLDS, "hangs_on ==", ("hangs_on >=", "hangs_on is"), NO_COLUMN),
    changed(
        FALLING,
        "end_of_speed",
        "if beta > 0.0 or gamma > 0.0:",
        ("gamma > ", "gamma >= "),
        "What falls by nothing has its root at infinity, where only the last piece ends.",
    ),
    *each(
        TIED,
        "find_tied",
        "several += 1 if held[k] >= 1 << PIECED else 0",
        ">= 1 << PIECED",
        (">= 1 >> PIECED", "is not 1 << PIECED"),
        "Looked at one by one, moves of one piece come to the same numbers.",
    ),
    changed(
        TIED,
        "tie_corners",
        "for chain in range(lines.shape[1]):",
        ("shape[1]", "shape[ 0]"),
        "Only motors have several pieces, four of them at most.",
    ),
    *each(
        TIED,
        "room_for",
        "np.empty((4, chains, pieces + 1, size)),",
        "((4",
        ("(( 5",),
        "A column that nobody reads.",
    ),
    changed(
        TIED,
        "look_ahead_up",
        "for k in range(stop - 1, node - 1, -1):  # nearly always the least that a move takes is enough",
        ("node - 1", "node * 1"),
        "What the quick walk does not tell the exact one does.",
    ),
    changed(
        TIED,
        "find_lines",
        "sure[k], holders[k] = surely_gained if is_tied else gain, holder if held[k] < 1 << PIECED else -1",
        ("1 << PIECED", "1 & PIECED"),
        "Without one line the general way comes to the same numbers.",
    ),
    changed(
        "planner/ramps.py",
        "ramps_at_once",
        "half_left = 0.5 * left if left > NO_PATH * length and high < top else 0.0",
        ("left > ", "left >= "),
        "So short a way more or less is below the twelfth digit.",
    ),
    changed(
        "planner/durations.py",
        "tied_durations",
        "acceleration[i] = max(0.0, least[k]) if is_beyond & is_steady else told",
        ("&", "//"),
        "Of two truths, one over the other is true where both are.",
    ),
    changed(
        "vibration/rounding.py",
        "corner_cut",
        "for command_filter, u, u_after in zip(filters, before, after, strict=True):",
        ("True", "False"),
        "There are as many of each.",
    ),
    *each(TIED, "end_speeds", PIECES, "&", ("+", "-", "*", "/", "//", "%", "|", "^"), ENDS),
    changed(TIED, "end_speeds", PIECES, ("1 <<", "1 -"), ENDS),
    changed(TIED, "end_speeds", PIECES, ("+ motor", "<< motor"), "As many bits in all."),
    changed(
        TIED, "end_speeds", "ends, slow = why != np.uint8(NO_CAUSE), 1.0 / top", ("!=", "<"), "The last of a byte."
    ),
    changed(TIED, "end_speeds", "is_rest = rest[start + np.uint64(k + 1)] != 0", ("!=", ">"), "It is 0 or 1."),
    changed(TIED, "end_speeds", "stop = end_of_speed(work.table, 0, motor)", ("0, motor", "-1, motor"), "One move's."),
    changed(CEILINGS, "steady_ceilings", "if classes[i] != commonest:", ("!=", "is not"), "Once more to the same."),
    *each(
        FILTERED, "with_rounding", "corners &= features.rest[:-1] == 0", "==", ("<=", ">="), "Rests are passed over."
    ),
    changed(FILTERED, "with_rounding", "corners = features.change > 0.0", (">", "!="), "A change is 0 or more."),
    changed(FILTERED, "with_rounding", LEAD, (">", "!="), "A change is 0 or more."),
    *each(ROUNDED, LEADS, "ahead, k = own, i + 1", "+ 1", ("* 1", "// 1", "** 1", "| 1", "+ 0"), BESIDE_ITSELF),
    *each(ROUNDED, LEADS, AHEAD, "ahead <", ("ahead !=", "ahead <=", "ahead is not"), "What lies behind counts then."),
    *each(ROUNDED, LEADS, AHEAD, "k <", ("k !=", "k <=", "k is not"), "The last place is a rest."),
    changed(ROUNDED, LEADS, "while k > 0 and not rests[k]:", (">", "!="), "A place goes back by one at a time."),
    *each(
        ROUNDED, LEADS, "if min(behind, ahead) > own:", ">", ("!=", "is not"), "Each is more, or that number itself."
    ),
    *each(ROUNDED, LEADS, "if behind * gap >= most * near:", ">=", ("==", ">", "is"), LEFT_OUT),
    *each(ROUNDED, LEADS, "if ahead * gap >= most * near:", ">=", ("==", ">", "is"), LEFT_OUT),
    changed(ROUNDED, "leads_between", "begins = turns | rests[:-1]", ("|", "+"), "Of truths the sum is the union."),
    changed(ROUNDED, "leads_between", "begins[:1] = True", (":1", ": 2"), FIRST_RUN),
    *each(ROUNDED, "leads_between", PLACES, "[[0.0]", ("[[ 1.0]", "[[ -1.0]"), FIRST_RUN),
    changed(ROUNDED, "leads_between", SHARED, ("True", "False"), "Behind the last run nobody looks."),
    changed(RESIDUAL, "worst_residual", AROUND, ("[[0.0]", "[[ -1.0]"), "What is left is never below 0."),
    changed(RESIDUAL, "worst_residual", AROUND, (", [0.0]", ", [ -1.0]"), "What is left is never below 0."),
    *each(RESIDUAL, "worst_residual", CLOSER, "+", ("|", "^"), "Forty is even."),
    *(
        changed(RESIDUAL, "worst_residual", TOPS, (f"& {other}", f"{operator} {other}"), LOOKED_AT)
        for other in ("(seen >= around[2:])", "(seen >= NEARLY")
        for operator in ("+", "*", "//", "**", "|")
    ),
    *(
        changed(RESIDUAL, "worst_residual", TOPS, (f">= {other}", f"is not {other}"), LOOKED_AT)
        for other in ("around[:-2]", "around[2:]", "NEARLY_HIGHEST")
    ),
)
