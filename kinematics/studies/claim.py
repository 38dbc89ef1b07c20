"""Somebody's word, "half an hour became seven minutes", against this machine and these jobs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from kinematics.errors import InputError
from kinematics.jobs.timing import Timing, path_sums, time_jobs
from kinematics.limits.flow import FLOW_KEY, filament_area
from kinematics.machine import Machine
from kinematics.machine.kinds import PREPARED, SHOWS
from kinematics.studies.knobs import Scale, first_value, spread
from kinematics.studies.reach import SPEED_SORT
from kinematics.wording import seconds_from

if TYPE_CHECKING:
    from kinematics.studies.climb import Climb, Climbed

NEAR = 0.2  # of the time before: an estimate that is no further off is in reach of it
FASTEST_TIMES = 64.0  # times the commanded speed: beyond it nobody looks
CLOSE = 1.01  # ratio at which the search ends
LOOKS = 9


class Claim(NamedTuple):
    """Times before and after (s), as somebody tells them."""

    before_s: float
    after_s: float

    @property
    def factor(self) -> float:
        """How many times as fast that is."""
        return self.before_s / self.after_s


class Needs(NamedTuple):
    """What a motion of so many seconds would take, accelerations at their reach, no layer waiting: the commanded speed
    so many times as high (None: no speed is enough), the peak flow (mm³/s), and how the motion falls (factor).
    """

    motion_s: float
    speed_times: float | None
    flow: float
    factor: float


class ClaimAnswer(NamedTuple):
    """What is to be said of a claim.

    `now_s` the estimate as the machine is, `in_reach` whether the time before is near it; `rung` the step with which
    the time after is met, counted from 1, 0 for the machine as it is and None where the ladder does not get there;
    `missing_s` what is missing then. `fixed_s` what no limit changes. `for_time` what the time after would take here,
    None where the fixed times alone are longer; `for_factor` what the claimed factor in motion alone would take.
    `flow_now` what the hotend melts (None: not given), `accelerations` whether all of these are at their reach.
    """

    claim: Claim
    now_s: float
    in_reach: bool
    rung: int | None
    end_s: float
    missing_s: float
    motion_s: float
    fixed_s: float
    for_time: Needs | None
    for_factor: Needs
    flow_now: float | None


def claim_from(text: str) -> Claim:
    """The claim of `30m=7m`. Raises InputError where it is none."""
    before, equals, after = text.partition("=")
    if not equals:
        raise InputError.at("--claim", f"can't read {text!r} as two times", "BEFORE=AFTER", "such as 30m=7m")
    claim = Claim(seconds_from(before, "--claim"), seconds_from(after, "--claim"))
    if claim.after_s >= claim.before_s:
        raise InputError.at("--claim", f"{text!r} is no faster after than before", "BEFORE=AFTER", "such as 30m=7m")
    return claim


def claim_answer(claim: Claim, climb: Climb, plan: Climbed, present: Sequence[Timing]) -> ClaimAnswer:
    """Hold a claim against a ladder; `present` the jobs as they are timed now."""
    motion = climb.jobs.sum_of(one.motion for one in present)
    fixed = climb.jobs.sum_of(one.stops.dwell + one.stops.total for one in present)
    now_s = plan.times[0]
    times = [*plan.times, *([plan.end_s] if plan.small_count else [])]
    rung = next((i for i, total in enumerate(times) if total <= claim.after_s), None)
    left = claim.after_s - fixed
    flow = climb.machine.hotend.max_flow_mm3_s
    return ClaimAnswer(
        claim,
        now_s,
        abs(now_s - claim.before_s) <= NEAR * claim.before_s,
        rung,
        times[-1],
        max(0.0, times[-1] - claim.after_s),
        motion,
        fixed,
        None if left <= 0.0 else _needs(climb, left, motion),
        _needs(climb, motion / claim.factor, motion),
        max(most for _, most in flow) if isinstance(flow, tuple) else flow,
    )


def _needs(climb: Climb, motion_s: float, now_s: float) -> Needs:
    """What a motion of so many seconds takes: the least factor on commanded speeds with what limits speed lifted."""

    def timed(factor: float) -> list[Timing]:
        variant = climb.machine.changed(_lifted(climb, factor), "the claim")
        return time_jobs(climb.jobs.prepared, *variant, passing=True)

    def motion_of(timings: Sequence[Timing]) -> float:
        return climb.jobs.sum_of(one.motion for one in timings)

    def meets(factors: Sequence[float]) -> list[bool]:
        return [motion_of(timed(factor)) <= motion_s for factor in factors]

    scale = Scale(True, CLOSE)
    found = first_value(meets, spread(1.0, FASTEST_TIMES, LOOKS, scale), scale)
    last = timed(found or FASTEST_TIMES)
    area = filament_area(climb.machine)
    flow = max(path_sums(one).filament_speed for one in last) * area
    return Needs(motion_s, found, flow, now_s / motion_of(last))


def _lifted(climb: Climb, factor: float) -> dict[str, Any]:
    """Settings with accelerations at their reach, corners as they are, what limits speed or makes layers wait out of
    the way, and the commanded speeds so many times as high.
    """
    machine: Machine = climb.machine
    found = dict(climb.pins)
    for one in climb.raisables:
        if one.kind == PREPARED:
            found |= one.settings(one.number * factor)
        elif one.sort == SPEED_SORT and not one.whole:
            found |= one.settings(one.number * 1e3)
        elif one.kind != SHOWS:
            found |= one.settings(one.reach)
    for name in ("print", "travel"):
        key = f"motion.by_kind.{name}.feed_override"
        if key not in found:
            own = getattr(machine.motion.by_kind, name).feed_override or machine.motion.feed_override
            found[key] = own * factor
    if machine.hotend.max_flow_mm3_s is not None:
        found[FLOW_KEY] = 1e6
    if machine.cooling.shortest_layer_s:
        found["cooling.shortest_layer_s"] = 0.0
    return found
