"""Limits that a job states: what holds for each move, who wins over whom, and the classes that come of it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from kinematics.errors import InputError
from kinematics.gcode.dialect_file import dialect_from_text
from kinematics.gcode.dialects import EXTRUSION, FILE_LIMITS, Dialect, LimitWord
from kinematics.gcode.file_limits import Conditions, FileLimit, conditions_of
from kinematics.gcode.job import HeldValue, StatedLimit
from kinematics.gcode.moves import FILAMENT, PRINT, TRAVEL, Moves
from kinematics.gcode.reader import read_gcode
from kinematics.jobs.prepared import Planned, PreparedJob
from kinematics.jobs.timing import time_job
from kinematics.limits import columns as by
from kinematics.limits.class_limits import AS_CAP, FILE_LIMIT_MODES, HONOUR, IGNORE, IN_THE_JOB, NOTHING_VARIED
from kinematics.limits.classes import MOST_CLASSES, classify
from kinematics.machine import Candidate, Machine, resolved_keys
from kinematics.studies.compare import compare_prepared

PRINT_KEY = "motion.print_acceleration_mm_s2"
TRAVEL_KEY = "motion.travel_acceleration_mm_s2"
STEPS = "motion.speed_step_mm_s"
DEVIATION = "motion.junction_deviation_mm"
# Two printing moves, a travel and an extruder-only move, before and after a statement.
BEFORE, AFTER = "G1 X5 E1 F600|X6 E2|X9|E3", "X5 E4|X6 E5|X9|E6"
# The dialect of the trade, and a letter for junction deviation, which is the user's own to tell.
TABLE = replace(EXTRUSION, limits=(*EXTRUSION.limits, LimitWord("M205", "Q", "junction deviation", "mm")))
OF_ALL = ("print", "print", "travel", "filament")

Held = list[float]


def prepared(text: str, mode: str = HONOUR, dialect: Dialect = TABLE) -> PreparedJob:
    """A job (| is a line end) made ready."""
    return PreparedJob(read_gcode(text.replace("|", "\n").encode(), dialect), file_limits=mode)


def planned(
    text: str,
    machine: Machine,
    mode: str = HONOUR,
    settings: Mapping[str, Any] | None = None,
    dialect: Dialect = TABLE,
) -> Planned:
    """A job planned under a machine; `settings` are what a study varies."""
    varied = NOTHING_VARIED
    if settings:
        varied, machine = resolved_keys(settings, machine), machine.with_settings(settings, "a study")
    return prepared(text, mode, dialect).planned(machine, varied)


def held(plan: Planned, column: int) -> Held:
    """One limit of every move."""
    return [float(plan.limits.values[number, column]) for number in plan.classes.of_move]


def origins(plan: Planned, column: int) -> list[str]:
    return [plan.limits.origins[int(number), column] for number in plan.classes.of_move]


# ---- which word lands where -------------------------------------------------------------------------------------

# Statement, column, kinds of moves that it holds for, value.
WORDS: dict[str, tuple[int, tuple[str, ...], float]] = {
    "M201 X700": (by.X_RAMP, OF_ALL, 700.0),
    "M201 Y700": (by.Y_RAMP, OF_ALL, 700.0),
    "M201 Z70": (by.Z_RAMP, OF_ALL, 70.0),
    "M201 E900": (by.FILAMENT_RAMP, OF_ALL, 900.0),
    "M203 X120": (by.X_MOST, OF_ALL, 120.0),
    "M203 Y120": (by.Y_MOST, OF_ALL, 120.0),
    "M203 Z12": (by.Z_MOST, OF_ALL, 12.0),
    "M203 E40": (by.FILAMENT_MOST, OF_ALL, 40.0),
    "M204 S450": (by.PATH_RAMP, ("print", "travel"), 450.0),
    "M204 P450": (by.PATH_RAMP, ("print",), 450.0),
    "M204 T450": (by.PATH_RAMP, ("travel",), 450.0),
    "M204 R450": (by.PATH_RAMP, ("filament",), 450.0),
    "M205 E3": (by.FILAMENT_STEP, OF_ALL, 3.0),
    "M205 Q0.02": (by.DEVIATION, OF_ALL, 0.02),
    "M205 X7": (by.X_STEP, OF_ALL, 7.0),
    "M205 Y7": (by.Y_STEP, OF_ALL, 7.0),
    "M205 Z0.3": (by.Z_STEP, OF_ALL, 0.3),
}
KINDS = ("print", "print", "travel", "filament")


@pytest.mark.parametrize("word", WORDS)
def test_a_word_holds_from_its_line_on_in_its_column(word: str) -> None:
    column, kinds, value = WORDS[word]
    plain = planned(f"{BEFORE}|{AFTER}", Machine())
    plan = planned(f"{BEFORE}|{word}|{AFTER}", Machine())
    assert plan.job.moves.kind.tolist() == [PRINT, PRINT, TRAVEL, FILAMENT] * 2
    before = held(plain, column)
    expected = [value if kind in kinds else old for kind, old in zip(KINDS, before[4:], strict=True)]
    assert held(plan, column) == before[:4] + expected
    said = [IN_THE_JOB in origin for origin in origins(plan, column)]
    assert said == [False] * 4 + [kind in kinds for kind in KINDS]
    (row, *_) = plan.job.stated
    assert (row.move, row.value, row.line) == (4, value, 5)
    others = (
        set(range(by.LIMITS)) - {column} - ({by.DEVIATION} if column in (by.X_STEP, by.Y_STEP, by.Z_STEP) else set())
    )
    assert all(held(plan, other) == held(plain, other) for other in others)


def test_the_words_are_all_there_are() -> None:
    """Every row of the dialect's table is among the cases; what planning does not know yet is stated all the same."""
    rows = {(row.word, row.letter) for row in TABLE.limits}
    assert rows == {(word.split()[0], word.split()[1][0]) for word in WORDS}
    for means in FILE_LIMITS:
        dialect = replace(EXTRUSION, limits=(LimitWord("M880", "Q", means, FILE_LIMITS[means][1]),))
        plan = planned(f"M880 Q0.5|{BEFORE}", Machine(), dialect=dialect)
        assert [(row.means, row.value) for row in plan.job.stated] == [(means, 0.5)]
        assert set(plan.job.conditions.table[-1]) == set(FILE_LIMITS[means][0])


def test_t_beside_s_without_p_is_the_retraction_acceleration() -> None:
    """The older meaning of T, common practice, no source; beside P, or alone, it is that of travels."""
    pairs = {
        "M204 S500 T90": {("acceleration", 500.0), ("retraction acceleration", 90.0)},
        "M204 T90 S500": {("acceleration", 500.0), ("retraction acceleration", 90.0)},
        "M204 S500 P400 T90": {("acceleration", 500.0), ("print acceleration", 400.0), ("travel acceleration", 90.0)},
        "M204 P400 T90": {("print acceleration", 400.0), ("travel acceleration", 90.0)},
        "M204 T90": {("travel acceleration", 90.0)},
        "M204 S500 M204 T90": {("acceleration", 500.0), ("travel acceleration", 90.0)},
    }
    for text, expected in pairs.items():
        plan = planned(f"{text}|{BEFORE}", Machine())
        assert {(row.means, row.value) for row in plan.job.stated} == expected
    plan = planned(f"M204 S500 T90|{BEFORE}", Machine())
    assert held(plan, by.PATH_RAMP) == [500.0, 500.0, 500.0, 90.0]


def test_a_users_row_for_a_letter_holds_whatever_stands_beside_it() -> None:
    told = '[[limit]]\nword = "M204"\nletter = "T"\nmeans = "travel acceleration"\nunit = "mm/s2"\n'
    plan = planned(f"M204 S500 T90|{BEFORE}", Machine(), dialect=dialect_from_text(told, "own.toml"))
    assert held(plan, by.PATH_RAMP)[:3] == [500.0, 500.0, 90.0]


def test_units_of_the_dialect() -> None:
    """mm a minute, mm a minute squared, micrometres: brought to mm and s before anything else sees them."""
    rows = (
        LimitWord("M203", "X", "x speed", "mm/min"),
        LimitWord("M204", "S", "acceleration", "mm/min2"),
        LimitWord("M205", "Q", "junction deviation", "um"),
        LimitWord("M206", "C", "speed cap", "mm/min"),
    )
    dialect = replace(EXTRUSION, limits=rows)
    plan = planned(f"M203 X6000|M204 S1800000|M205 Q20|M206 C1200|{BEFORE}", Machine(), dialect=dialect)
    assert held(plan, by.X_MOST)[0] == pytest.approx(100.0)
    assert held(plan, by.PATH_RAMP)[0] == pytest.approx(500.0)
    assert held(plan, by.DEVIATION)[0] == pytest.approx(0.02)
    assert held(plan, by.CAP)[:3] == pytest.approx([20.0] * 3)


# ---- honour, ignore, cap ----------------------------------------------------------------------------------------

# What the machine says, what the job says: what holds under honour, ignore and cap.
MODES = (
    (600.0, 200.0, (200.0, 600.0, 200.0)),
    (600.0, 2000.0, (2000.0, 600.0, 600.0)),
    (600.0, 600.0, (600.0, 600.0, 600.0)),
)


@pytest.mark.parametrize(("own", "stated", "results"), MODES)
@pytest.mark.parametrize("mode", FILE_LIMIT_MODES)
def test_honour_ignore_or_cap(mode: str, own: float, stated: float, results: tuple[float, ...]) -> None:
    machine = Machine().with_settings({PRINT_KEY: own})
    plan = planned(f"{BEFORE}|M204 P{stated}|{AFTER}", machine, mode)
    result = results[FILE_LIMIT_MODES.index(mode)]
    assert held(plan, by.PATH_RAMP)[:2] == [own, own]
    assert held(plan, by.PATH_RAMP)[4:6] == [result, result]
    assert (IN_THE_JOB in origins(plan, by.PATH_RAMP)[4]) == (mode == HONOUR or (mode == AS_CAP and stated < own))


@pytest.mark.parametrize("mode", FILE_LIMIT_MODES)
def test_where_the_machine_has_no_limit_a_stated_one_caps(mode: str) -> None:
    plan = planned(f"M203 X50|{BEFORE}", Machine(), mode)
    assert held(plan, by.X_MOST)[0] == (math.inf if mode == IGNORE else 50.0)


def test_limits_change_along_the_job() -> None:
    plan = planned("M204 S300|G1 X5 E1 F600|M204 S900|X6 E2|M204 P100|X7 E3|X8|M204 S300|X9 E4|X10", Machine())
    assert held(plan, by.PATH_RAMP) == [300.0, 900.0, 100.0, 900.0, 300.0, 300.0]
    # 5 mm are printed under 300, 1 under 900, 1 under 100, and 1 under 300 again.
    assert plan.job.facts.stated == (
        StatedLimit(PRINT_KEY, 300.0, 1, 4, 0.75, (HeldValue(100.0, 5, 0.125), HeldValue(900.0, 3, 0.125))),
        StatedLimit(TRAVEL_KEY, 300.0, 1, 3, 0.75, (HeldValue(900.0, 3, 0.25),)),
    )


def test_what_holds_after_the_print_is_no_value_of_it() -> None:
    """Many files end with the machine's own limits, for whoever prints next."""
    (x_speed,) = planned("M203 X90|G1 X5 E1 F600|M203 X500", Machine()).job.facts.stated
    assert x_speed == StatedLimit("axes.x.max_speed_mm_s", 90.0, 1, 2, 1.0, (HeldValue(500.0, 3, 0.0),))


def test_of_values_that_held_for_equally_much_the_later_counts() -> None:
    (x_speed,) = planned("M203 X90|G1 X5 E1 F600|M203 X500|X10 E2|M203 X70", Machine()).job.facts.stated
    assert (x_speed.value, x_speed.line, x_speed.share) == (500.0, 3, 0.5)
    (x_speed,) = planned("M203 X90|G1 X5 F600|M203 X500", Machine()).job.facts.stated  # nothing is printed
    assert (x_speed.value, x_speed.share) == (500.0, 0.0)


def test_what_is_printed_before_the_first_statement_counts_for_none() -> None:
    (x_speed,) = planned("G1 X30 E1 F600|M203 X90|X40 E2", Machine()).job.facts.stated
    assert x_speed.share == 0.25


def test_a_lower_limit_takes_longer() -> None:
    """A job of 40 mm lines at 150 mm/s: by hand each takes 2·√(L/a) where a·L < v²."""
    lines = "|".join(f"G1 X{40 * (i % 2)} E{i} F9000" for i in range(1, 11))
    times = {stated: time_job(prepared(f"M204 S{stated}|{lines}"), Machine()).total for stated in (100, 200, 400)}
    for stated, total in times.items():
        assert total == pytest.approx(10 * 2 * math.sqrt(40 / stated), rel=1e-9)


# ---- who wins ---------------------------------------------------------------------------------------------------

LABELLED = "; road: outer|G1 X5 E1 F600|; road: inner|X6 E2|; road: outer|X7 E3|; road: inner|X8 E4|X9"
BY_LABEL = {"motion.by_label.outer.print_acceleration_mm_s2": 250}


@pytest.mark.parametrize("settings", [{PRINT_KEY: 1200}, {"acceleration": 1200}, {"motion": {PRINT_KEY[7:]: 1200}}])
@pytest.mark.parametrize("mode", FILE_LIMIT_MODES)
def test_what_a_study_varies_wins(mode: str, settings: Mapping[str, Any]) -> None:
    """Over the job, whatever the mode, and over nothing else: travels keep what the job states."""
    plan = planned(f"M204 S100|{BEFORE}", Machine(), mode, settings)
    travelling = 800.0 if mode == IGNORE else 100.0
    assert held(plan, by.PATH_RAMP)[:3] == [1200.0, 1200.0, travelling]
    assert origins(plan, by.PATH_RAMP)[0] == PRINT_KEY


def test_a_label_wins_over_the_job_and_a_study_over_the_label() -> None:
    machine = Machine().with_settings(BY_LABEL)
    text = f"M204 P1000|{LABELLED}"
    assert held(planned(text, machine), by.PATH_RAMP) == [250.0, 1000.0, 250.0, 1000.0, 800.0]
    assert held(planned(text, machine, IGNORE), by.PATH_RAMP) == [250.0, 600.0, 250.0, 600.0, 800.0]
    varied = {"motion.by_label.outer.print_acceleration_mm_s2": 400}
    assert held(planned(text, machine, settings=varied), by.PATH_RAMP) == [400.0, 1000.0, 400.0, 1000.0, 800.0]
    # A study that varies the general key says it of all moves, the labelled ones too.
    assert held(planned(text, machine, settings={PRINT_KEY: 700}), by.PATH_RAMP)[:4] == [700.0] * 4


def test_a_cap_lowers_what_a_label_says() -> None:
    machine = Machine().with_settings(BY_LABEL)
    assert held(planned(f"M204 P100|{LABELLED}", machine, AS_CAP), by.PATH_RAMP)[:4] == [100.0] * 4
    assert held(planned(f"M204 P400|{LABELLED}", machine, AS_CAP), by.PATH_RAMP)[:4] == [250.0, 400.0, 250.0, 400.0]


def test_a_kind_wins_over_the_job() -> None:
    machine = Machine().with_settings({"motion.by_kind.print.print_acceleration_mm_s2": 350})
    plan = planned(f"M204 S1000|{BEFORE}", machine)
    assert held(plan, by.PATH_RAMP)[:3] == [350.0, 350.0, 1000.0]
    assert origins(plan, by.PATH_RAMP)[0] == "motion.by_kind.print.print_acceleration_mm_s2"
    assert held(planned(f"M204 S1000|{BEFORE}", machine, settings={PRINT_KEY: 90}), by.PATH_RAMP)[0] == 90.0


def test_what_is_silenced_is_counted() -> None:
    jobs = [prepared(f"M204 P500|{BEFORE}|M204 P700|{AFTER}")]
    candidates = [Candidate("brisk", {"acceleration": 3000}), Candidate("sharp", {"corner": 0.1})]
    comparison = compare_prepared(jobs, Machine(), candidates)
    assert comparison.silenced == {"brisk": 2}
    ignored = [prepared("M204 P500|G1 X5 E1 F600", IGNORE)]
    assert compare_prepared(ignored, Machine(), candidates).silenced == {}


def test_a_command_that_states_two_varied_limits_is_one_command() -> None:
    jobs = [prepared("M204 P500 T900|G1 X5 E1 F600")]
    both = Candidate("both", {PRINT_KEY: 3000, TRAVEL_KEY: 3000})
    assert compare_prepared(jobs, Machine(), [both]).silenced == {"both": 1}


# ---- the corner rule --------------------------------------------------------------------------------------------

JUNCTION = Machine()
STEPPED = Machine().with_settings({STEPS: {"x": 5, "y": 5}})


def rule(plan: Planned) -> list[tuple[float, float]]:
    """Junction deviation and step of the x axis of every move."""
    return list(zip(held(plan, by.DEVIATION), held(plan, by.X_STEP), strict=True))


def test_a_job_may_switch_the_corner_rule() -> None:
    """To what it states, from there on: steps leave an axis without any free, as in a machine file."""
    off = math.inf
    plan = planned(f"{BEFORE}|M205 X8|{AFTER}", JUNCTION)
    assert rule(plan) == [(0.05, off)] * 4 + [(off, 8.0)] * 4
    assert held(plan, by.Y_STEP) == [off] * 8
    assert rule(planned(f"{BEFORE}|M205 Q0.02|{AFTER}", STEPPED)) == [(off, 5.0)] * 4 + [(0.02, off)] * 4
    assert rule(planned(f"{BEFORE}|M205 Q0.02|{AFTER}", JUNCTION)) == [(0.05, off)] * 4 + [(0.02, off)] * 4
    assert rule(planned(f"{BEFORE}|M205 Y8|{AFTER}", STEPPED)) == [(off, 5.0)] * 8


def test_a_job_that_states_both_rules_goes_by_junction_deviation() -> None:
    """As a machine file that is made from its limits."""
    for machine in (JUNCTION, STEPPED):
        assert rule(planned(f"M205 X8 Q0.02|{BEFORE}", machine)) == [(0.02, math.inf)] * 4


def test_a_job_that_is_ignored_switches_nothing() -> None:
    assert rule(planned(f"M205 X8|{BEFORE}", JUNCTION, IGNORE)) == [(0.05, math.inf)] * 4
    assert rule(planned(f"M205 Q0.02|{BEFORE}", STEPPED, IGNORE)) == [(math.inf, 5.0)] * 4


def test_a_cap_adds_the_other_rule() -> None:
    """Both hold, so that corners are never faster than the machine's own rule has them."""
    assert rule(planned(f"M205 X8|{BEFORE}", JUNCTION, AS_CAP)) == [(0.05, 8.0)] * 4
    assert rule(planned(f"M205 Q0.02|{BEFORE}", STEPPED, AS_CAP)) == [(0.02, 5.0)] * 4


def test_a_study_of_the_machines_rule_switches_the_jobs_off() -> None:
    assert rule(planned(f"M205 X8|{BEFORE}", JUNCTION, settings={"corner": 0.1})) == [(0.1, math.inf)] * 4
    assert rule(planned(f"M205 X8|{BEFORE}", STEPPED, settings={"corner": 6})) == [(math.inf, 6.0)] * 4


@pytest.mark.parametrize("machine", [JUNCTION, STEPPED])
def test_a_study_of_steps_switches_a_stated_junction_deviation_off(machine: Machine) -> None:
    plan = planned(f"M205 Q0.02|{BEFORE}", machine, settings={STEPS: {"x": 9, "y": 9}})
    assert rule(plan) == [(math.inf, 9.0)] * 4


def test_limits_at_a_corner_are_those_of_the_later_move() -> None:
    """Right angles: v² = a·δ·s/(1 − s) with s = cos 45°; a is the lower of both moves, δ the later one's."""
    square = "G1 X40 E1 F9000|Y40 E2|M205 Q0.02|X0 E3|M204 P300|Y0 E4|M204 P600|X40 E5"
    plan = planned(square, Machine())
    share = math.cos(math.pi / 4) / (1 - math.cos(math.pi / 4))
    corners = [(600, 0.05), (600, 0.02), (300, 0.02), (300, 0.02)]
    expected = [math.sqrt(a * deviation * share) for a, deviation in corners]
    np.testing.assert_allclose(plan.plan.speed_in[1:], expected, rtol=1e-9)


# ---- conditions and classes -------------------------------------------------------------------------------------


def test_equal_sets_of_limits_share_a_class() -> None:
    """However often they are stated and in whatever order."""
    text = "G1 X1 E1 F600|M204 P500|X2 E2|M205 Q0.02|X3 E3|M204 P300|X4 E4|M204 P500|X5 E5|M204 P500|X6 E6"
    plan = planned(text, Machine())
    assert plan.job.conditions.of_move.tolist() == [0, 1, 2, 3, 2, 2]
    assert plan.job.conditions.table == (
        {},
        {PRINT_KEY: 500.0},
        {PRINT_KEY: 500.0, DEVIATION: 0.02},
        {PRINT_KEY: 300.0, DEVIATION: 0.02},
    )
    assert len(plan.classes.table) == 4
    assert plan.classes.of_move.tolist() == [0, 1, 2, 3, 2, 2]
    other = planned("M205 Q0.02|M204 P500|G1 X1 E1 F600|M204 P300|X2 E2|M204 P500|M205 Q0.02|X3 E3", Machine())
    first, second, third = other.job.conditions.of_move
    assert first == third != second
    assert len(other.classes.table) == 2


def test_conditions_by_hand() -> None:
    stated = (
        FileLimit(0, "speed cap", 90.0, 1),
        FileLimit(2, "acceleration", 500.0, 4),
        FileLimit(2, "print acceleration", 400.0, 4),
        FileLimit(5, "speed cap", 80.0, 9),
    )
    of_move, table = conditions_of(stated, 5, {})
    early = {"motion.speed_cap_mm_s": 90.0}
    late = early | {PRINT_KEY: 400.0, TRAVEL_KEY: 500.0}
    assert [table[number] for number in of_move] == [early, early, late, late, late]
    assert table[0] == {}
    assert conditions_of((), 3, {}).of_move.tolist() == [0, 0, 0]
    assert conditions_of((), 3, {}).table == ({},)


def test_classes_are_the_sets_that_occur() -> None:
    """Kind, first layers, label and stated limits, each distinct set once; what nothing depends on is left out."""
    job = read_gcode(
        b"; road: outer\nG1 X5 E1 F600\nX0\n; road: inner\nM204 P500\nX6 E2\n; road: outer\nG1 Z1\nX9 E3\nX4 E4\n"
    )
    everything = classify(job.moves, 1, job.conditions, job.labels)
    rows = [
        (member.kind, member.first_layers, member.label, dict(member.stated))
        for member in (everything.table[number] for number in everything.of_move)
    ]
    stated = {PRINT_KEY: 500.0}
    assert rows == [
        (PRINT, True, "outer", {}),
        (TRAVEL, True, "outer", {}),
        (PRINT, True, "inner", stated),
        (TRAVEL, True, "outer", stated),
        (PRINT, False, "outer", stated),
        (PRINT, False, "outer", stated),
    ]
    assert len(everything.table) == 5
    plain = classify(job.moves, 0)
    assert len(plain.table) == 2
    assert {(member.label, len(member.stated)) for member in plain.table} == {("", 0)}
    assert everything.of_move.dtype == np.uint16


def test_too_many_classes_are_refused() -> None:
    n = MOST_CLASSES + 1
    job = read_gcode(b"G1 X5 E1 F600\n")
    many = Moves._make(np.repeat(column, n) for column in job.moves)
    table = tuple({PRINT_KEY: float(i + 1)} for i in range(n))
    with pytest.raises(InputError, match="--file-limits ignore"):
        classify(many, 0, Conditions(np.arange(n, dtype=np.int32), table))
    assert len(classify(many, 0, Conditions(np.arange(n, dtype=np.int32) % 9, table)).table) == 9


# ---- words that state none --------------------------------------------------------------------------------------


@pytest.mark.parametrize("word", ["M204 S0", "M201 X-5", "M205 B20000", "M203 T1"])
def test_a_word_that_states_no_limit_is_said_and_changes_nothing(word: str) -> None:
    text = f"{BEFORE}|{word}|M204 P500|{AFTER}"
    plan = planned(text, Machine())
    assert [row.means for row in plan.job.stated] == ["print acceleration"]
    (notice,) = plan.job.notices
    assert (notice.line, notice.count) == (5, 1)
    assert notice.text.startswith(f"{word[:6]} states no limit")
    assert not plan.job.events.kind.size


@pytest.mark.parametrize("word", ["M204 S0", "M205 B20000"])
def test_a_job_whose_only_statements_state_nothing(word: str) -> None:
    job = prepared(f"{BEFORE}|{word}|{AFTER}")
    assert not job.read(Machine()).events.kind.size
    assert time_job(job, Machine()).total > 0.0


def test_the_more_particular_letter_of_a_command_wins() -> None:
    for word in ("M204 S500 P400", "M204 P400 S500"):
        assert held(planned(f"{word}|{BEFORE}", Machine()), by.PATH_RAMP)[:3] == [400.0, 400.0, 500.0]


def test_statements_and_moves_glued_on_one_line() -> None:
    """Each holds from where it stands; the later command wins."""
    plan = planned("M204 P400 G1 X5 E1 F600 M204 S500 G1 X6 E2|X7 E3", Machine())
    assert held(plan, by.PATH_RAMP) == [400.0, 500.0, 500.0]
