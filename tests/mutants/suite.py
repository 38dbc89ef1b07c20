"""The tests that every mutant has to pass: five seconds of processor time in all, uncompiled.

Those nearest to what a mutant changes come first, since the first failure ends its run.
"""

from __future__ import annotations

PLANS = (
    "tests/mutants/test_drawn_features.py",
    "tests/mutants/test_drawn_paths.py",
    "tests/mutants/test_curves.py",
    "tests/mutants/test_drawn_ties.py",
    "tests/mutants/test_units.py",
    "tests/mutants/test_plans.py",
    "tests/mutants/test_ties.py",
    "tests/mutants/test_geometry.py",
    "tests/planner/test_batch.py::test_marks_and_layers_where_nothing_is_timed",
    "tests/planner/test_rest_steps.py",
    "tests/planner/test_resumed.py",
    "tests/planner/test_motor_loads.py",
    "tests/planner/test_sums.py",
    "tests/planner/test_falling.py",
    "tests/planner/test_limits.py",
    "tests/planner/test_table_of_ceilings.py",
)
LIMITS = ("tests/mutants/test_classes.py", "tests/limits")
FILTERS = (
    "tests/mutants/test_filters.py",
    "tests/mutants/test_classes.py",
    "tests/published/test_filters.py",
    "tests/vibration/test_filters.py",
    "tests/vibration/test_residual.py",
    "tests/vibration/test_ringing.py",
    "tests/vibration/test_rounding.py",
    "tests/vibration/test_exposure.py",
    "tests/vibration/test_path_rounding.py",
)
MOST_CASES = 7  # of one test, unless told otherwise
# Of these tests only so many of their cases, evenly spread: what takes longest and sees little that others do not.
FEWER: dict[str, int] = {
    "tests/limits/test_drive.py::test_the_running_minimum_is_that_of_many_small_steps": 0,
    "tests/limits/test_drive.py::test_the_table_says_what_the_curves_say": 0,
    "tests/limits/test_limit_table.py::test_any_machines_one_after_another": 0,
    "tests/limits/test_motor_drives.py::test_the_table_of_moves_names_drives_with_fewer_motors_than_there_may_be": 0,
    "tests/limits/test_command_rate.py::test_a_mean_lies_between_the_shortest_and_the_longest_move": 0,
    "tests/limits/test_command_rate.py::test_late_commands_are_those_of_an_event_simulation": 2,
    "tests/limits/test_file_limits.py::test_a_word_holds_from_its_line_on_in_its_column": 3,
    "tests/limits/test_limit_table.py::test_every_key_changes_what_the_table_says_that_it_lifts": 60,
    "tests/mutants/test_plans.py::test_acceleration_that_falls": 3,
    "tests/mutants/test_plans.py::test_batches_of_unlike_candidates": 2,
    "tests/mutants/test_plans.py::test_caps_that_are_constant": 3,
    "tests/mutants/test_plans.py::test_moves_in_pieces": 3,
    "tests/planner/test_falling.py::test_path_time_and_speed_of_ramps_are_the_integrals": 2,
    "tests/planner/test_falling.py::test_a_stretch_cut_into_chords_is_driven_as_the_whole_is": 1,
    "tests/planner/test_rest_steps.py::test_batches_keep_budgets_at_rest_and_at_corners": 0,
    "tests/planner/test_resumed.py::test_a_batch_in_parts_is_the_batch_of_the_whole": 0,
    "tests/planner/test_resumed.py::test_a_plan_in_parts_is_the_plan_of_the_whole": 0,
    "tests/planner/test_resumed.py::test_plans_are_certain_before_the_end": 0,
    "tests/planner/test_table_of_ceilings.py::test_batches_take_what_single_plans_take": 0,
    "tests/published/test_filters.py::test_solved_filters_lie_by_their_published_fits": 4,
    "tests/vibration/test_exposure.py::test_irregular_motion_against_simulation": 0,
    "tests/vibration/test_exposure.py::test_a_planned_path_arrives_and_swings_as_simulated": 0,
    "tests/vibration/test_filters.py::test_the_definition_holds_up_to_the_highest_damping": 0,
    "tests/vibration/test_filters.py::test_beyond_the_end_there_is_no_solution": 0,
    "tests/vibration/test_filters.py::test_more_humps_and_more_zeros_are_wider": 0,
    "tests/vibration/test_filters.py::test_a_filter_never_makes_it_worse": 0,
    "tests/vibration/test_filters.py::test_moments_do_not_hang_on_when_the_filter_begins": 0,
    "tests/vibration/test_filters.py::test_moments_scale_with_the_period": 0,
    "tests/vibration/test_filters.py::test_a_library_solves_the_definition_alike": 2,
    "tests/vibration/test_path_rounding.py::test_the_rounding_told_is_that_of_a_direct_convolution": 1,
    "tests/vibration/test_path_rounding.py::test_the_speed_is_the_first_at_which_a_fine_scan_meets_the_budget": 6,
    "tests/vibration/test_residual.py::test_the_worst_of_an_interval_is_found": 3,
    "tests/vibration/test_residual.py::test_residual_on_and_off_the_design": 2,
    "tests/vibration/test_residual.py::test_nothing_in_the_interval_is_worse": 0,
    "tests/vibration/test_ringing.py::test_limits_scale": 0,
    "tests/vibration/test_ringing.py::test_the_top_of_a_triangle_is_one_step_of_twice_the_acceleration": 0,
    "tests/vibration/test_ringing.py::test_swing_after_a_step_of_acceleration": 2,
    "tests/vibration/test_ringing.py::test_swing_after_a_sudden_change_of_speed": 2,
    "tests/vibration/test_ringing.py::test_limits_hold_every_mode_anywhere_in_its_band": 0,
    "tests/vibration/test_rounding.py::test_limits_grow_with_frequency_and_budget": 0,
    "tests/vibration/test_rounding.py::test_cut_of_a_corner": 3,
}


def suite_for(path: str) -> tuple[tuple[str, ...], ...]:
    """The suite for a mutant of a source of the package, nearest first, without files that never come to its code."""
    if "vibration" in path or path.endswith("filtered.py"):
        return FILTERS, ("tests/limits/test_vibration.py",), PLANS
    if "/limits/" in path:
        return LIMITS, PLANS
    return (PLANS,) if "/planner/" in path else (PLANS, LIMITS, FILTERS)
