"""Results as lines for a terminal. Everything shown here is in the JSON as well."""

from __future__ import annotations

import math
import shlex
from collections.abc import Iterable, Sequence
from itertools import chain, count
from pathlib import PurePath
from typing import TYPE_CHECKING

from kinematics.errors import Notice
from kinematics.reports.held_words import held_lines, rules_text
from kinematics.wording import duration_text, quantity_text, share_text, value_text

if TYPE_CHECKING:
    from kinematics.gcode.job import StatedLimit
    from kinematics.machine import Machine
    from kinematics.studies.compare import Comparison, ComparisonRow
    from kinematics.studies.estimate import Estimate, JobEstimate
    from kinematics.studies.intervals import Interval, Sampling
    from kinematics.studies.worth import Change, Worth


CAUTION = (
    "Before you raise a limit: hot parts and fast machines injure people. Keep to the manufacturer's limits and to "
    "local codes, and watch the first print."
)
BAR = 20
# The short names under which --candidate and --set take the keys that are changed most.
SHORT = {
    "motion.print_acceleration_mm_s2": "acceleration",
    "motion.by_kind.print.feed_override": "speed",
    "motion.junction_deviation_mm": "corner",
    "hotend.max_flow_mm3_s": "flow",
}
NO_LIMIT = "not in the machine file, so taken as no limit"
SHOWN_CAUSES = 3
SHOWN_NOTICES = 6
SHOWN_LIMITS = 4
SHOWN_VALUES = 2
WITHIN = 1.96  # standard deviations to either side that hold 95 %
ALL_OF_IT = 0.9995  # share of the printed length from which nothing is said of the rest
ACCELERATIONS = {
    "motion.print_acceleration_mm_s2": "prints",
    "motion.travel_acceleration_mm_s2": "travels",
    "retraction.acceleration_mm_s2": "extruder",
}
MOST_NAMES = 2  # of jobs in a command to try


def bar(share: float, width: int = BAR) -> str:
    """A share as a bar, in eighths of a cell."""
    eighths = round(min(max(share, 0.0), 1.0) * width * 8)
    full, rest = divmod(eighths, 8)
    return "█" * full + ("" if rest == 0 else " ▏▎▍▌▋▊▉"[rest])


def _parts(job: JobEstimate) -> str:
    """Motion, dwell, stops by kind and cooling, in one line."""
    parts = [("motion", job.motion_s), ("dwell", job.dwell_s), *job.stops_by_kind_s.items(), ("cooling", job.cooling_s)]
    return " · ".join(
        f"{name} {duration_text(seconds)}" for name, seconds in parts if seconds > 0.0 or name == "motion"
    )


def _causes(job: JobEstimate) -> list[str]:
    shown = job.causes[:SHOWN_CAUSES]
    width = max(len(cause.cause) for cause in shown)
    return [f"  {cause.cause:<{width}}  {bar(cause.share):<{BAR}} {share_text(cause.share):>5}" for cause in shown]


def between_text(interval: Interval) -> str:
    """The ends of an interval of times."""
    return f"{duration_text(interval.low)} to {duration_text(interval.high)}"


def _how_known(interval: Interval | None, machine: Machine) -> str:
    """What stands behind a total: its interval and why there is one, and what it was held against, if anything."""
    checked = "" if interval is not None and machine.checked.prints is None else f", {checked_text(machine)}"
    if interval is None:
        return checked
    since = f", since {ranges_text(machine)}" if _ranges_of_the_user(machine) else ""
    return f" ({between_text(interval)}{since}){checked}"


def checked_text(machine: Machine) -> str:
    """What the times of a machine were held against: its [checked], or nothing yet."""
    checked = machine.checked
    if checked.prints is None:
        return "not yet checked against a stopwatch"
    if any(row.origin == "--set" for row in machine.effective()):
        return "not yet checked against a stopwatch with these settings"
    bias, spread = checked.bias_share or 0.0, checked.spread_share or 0.0
    off = f"off by {share_text(math.hypot(bias, spread))}"
    if checked.prints == 1:
        return f"checked against one print, {off}"
    within = share_text(abs(bias) + WITHIN * spread)
    return f"checked against {checked.prints:,} prints, {off} (95 % of them within {within})"


def _ranges_of_the_user(machine: Machine) -> int:
    """How many ranges of a machine are not those that measured prints gave."""
    return len(machine.ranges.keys() - {*(machine.checked.keys or ())})


def ranges_text(machine: Machine) -> str:
    """How many values of a machine are ranges, those that measured prints gave left out."""
    count = _ranges_of_the_user(machine)
    return f"{count} values are given as ranges" if count > 1 else f"{count} value is given as a range"


def saving_text(seconds: float) -> str:
    """What something saves, or costs."""
    if abs(seconds) < 0.05:
        return "saves nothing"
    return f"saves {duration_text(seconds)}" if seconds > 0.0 else f"costs {duration_text(-seconds)}"


def commands_text(count: int) -> str:
    """So many commands."""
    return f"{count:,} command{'' if count == 1 else 's'}"


def held_text(limit: StatedLimit) -> str:
    """For how much of the print a stated value held, and which others there are; empty where it held all along."""
    others = [quantity_text(one.value) for one in limit.others]
    if not others and limit.share >= ALL_OF_IT:
        return ""
    share = "all" if limit.share >= ALL_OF_IT else share_text(limit.share)
    more = f" and {len(others) - SHOWN_VALUES} more" if len(others) > SHOWN_VALUES else ""
    also = f", also {', '.join(others[:SHOWN_VALUES])}{more}" if others else ""
    return f"for {share} of the print{also}"


def assumed_text(assumed: Iterable[tuple[str, float]]) -> str:
    """Accelerations that hold although nobody gave them; empty where there are none."""
    words = ", ".join(f"{ACCELERATIONS[key]} {quantity_text(value)}" for key, value in assumed)
    return f"acceleration assumed, none given: {words} mm/s²" if words else ""


def _change(change: Change, total: float) -> str:
    space = "" if change.unit == "×" else " "
    turn, before = "set", ""
    if change.before is not None:
        turn = "raise" if change.after > change.before else "lower"
        before = f" from {quantity_text(change.before)}{'' if space else change.unit}"
    after = f" to {quantity_text(change.after)}{space}{change.unit}"
    between = "" if change.saved_interval_s is None else f", {between_text(change.saved_interval_s)}"
    saved = f"saves {duration_text(change.saved_s)} ({share_text(change.saved_s / total)}{between})"
    others = [f"{what} to {quantity_text(value)} {unit}" for what, value, unit in change.together]
    beside = f", with {' and '.join(others)}" if others else ""
    quality = "at the expense of quality, " if change.costs_quality else ""
    return f"{quality}{turn} {change.what}{before}{after}{beside}: {saved}"


def _silencing(change: Change) -> list[str]:
    """What silencing the job's own commands brings of a change, and what the raise does."""
    if not change.silenced or abs(change.saved_by_silencing_s) < 0.05:
        return []
    raised = "the raise" if change.before is None or change.after > change.before else "the change"
    own = f"silencing {commands_text(change.silenced)} in the job {saving_text(change.saved_by_silencing_s)}"
    return [f"     {own}, {raised} itself {saving_text(change.saved_s - change.saved_by_silencing_s)}"]


def notice_lines(notices: Sequence[Notice]) -> list[str]:
    """Warnings with their count and first line, the first few of them."""
    if not notices:
        return []
    lines = [f"{len(notices)} warning{'s' if len(notices) > 1 else ''}:"]
    for notice in notices[:SHOWN_NOTICES]:
        place = "" if notice.line is None else f"line {notice.line}: "
        lines.append(f"  {place}{notice.text}" + (f", {notice.count:,} {notice.counted}" if notice.count > 1 else ""))
    if len(notices) > SHOWN_NOTICES:
        lines.append(f"  … and {len(notices) - SHOWN_NOTICES} more kinds (all of them with --json)")
    return lines


def _job_lines(job: JobEstimate, machine: Machine) -> list[str]:
    lines = [f"{job.file}  {duration_text(job.total_s)}{_how_known(job.interval_s, machine)}", f"  {_parts(job)}"]
    lines += _copies(job)
    lines.append("where the time goes")
    lines += _causes(job)
    return lines


def _facts(job: JobEstimate) -> list[str]:
    mass = "" if job.filament_g is None else f" ({job.filament_g:.1f} g)"
    flow = "nothing is printed"
    if job.peak_flow_line is not None:
        flow = f"peak flow {job.peak_flow_mm3_s:.1f} mm³/s (line {job.peak_flow_line})"
    filament = f"{job.filament_mm / 1000.0:.2f} m of filament{mass}"
    layers = f"{job.layers:,} layer{'s' if job.layers != 1 else ''}" if job.layers else "no layers"
    return [f"{flow} · peak speed {job.peak_speed_mm_s:.0f} mm/s · {layers} · {filament}"]


def _not_given(limits: Sequence[str]) -> list[str]:
    if not limits:
        return []
    shown = ", ".join(limits[:SHOWN_LIMITS])
    more = f" and {len(limits) - SHOWN_LIMITS} more" if len(limits) > SHOWN_LIMITS else ""
    return [f"{NO_LIMIT}: {shown}{more} (kinematics machine show lists them)"]


def _stated(job: JobEstimate) -> list[str]:
    """Limits that the job itself states."""
    if not job.stated:
        return []
    count = sum(one.times for one in job.stated)
    times = "once" if count == 1 else f"{count:,} times"
    lines = [f"limits stated in the job, {times} (--file-limits honour|ignore|cap):"]
    for one in job.stated[:SHOWN_LIMITS]:
        held = held_text(one)
        lines.append(f"  {one.key}: {quantity_text(one.value)} {held or f'(line {one.line})'}")
    if len(job.stated) > SHOWN_LIMITS:
        lines.append(f"  and {len(job.stated) - SHOWN_LIMITS} more (all of them with --json)")
    return lines


def _assumed(estimate: Estimate) -> list[str]:
    """The accelerations that are assumed."""
    words = assumed_text(dict(pair for job in estimate.jobs for pair in job.assumed).items())
    return [words] if words else []


def _labels(job: JobEstimate) -> list[str]:
    """Which labels the job has, whether somebody told them, and which of the machine's it does not have."""
    labels = job.labels
    if labels is None:
        return []
    names = ", ".join(labels.names) or "none"
    how = "from the dialect table" if labels.told else "found by counting"
    where = "" if labels.key is None else f', in comments "{labels.key}: …"'
    lines = [f"labels ({how}{where}): {names}"]
    if labels.unknown:
        lines.append(f"labels in the machine file that this job does not have: {', '.join(labels.unknown)}")
    return lines


def _unknown_stops(job: JobEstimate) -> list[str]:
    if not job.unknown_stops:
        return []
    shown = "; ".join(f"line {stop.line}: {stop.what}" for stop in job.unknown_stops[:2])
    more = f"; … {len(job.unknown_stops) - 2} more" if len(job.unknown_stops) > 2 else ""
    return [f"stops of unknown length, counted as 0 s: {shown}{more}"]


def _next(estimate: Estimate, machine_option: str, options: Sequence[str]) -> list[str]:
    """The next command to try, with the options of this one; standard input cannot be read again."""
    files = [job.file for job in estimate.jobs]
    if "-" in files:
        return []
    if len(files) > MOST_NAMES:  # the longest job stands for them
        files = [max(estimate.jobs, key=lambda job: job.total_s).file]
    command = shlex.join([*files, "--machine", machine_option, *options])
    if estimate.span:
        return [f"next: kinematics estimate {command}"]
    if not estimate.changes or estimate.changes[0].costs_quality:
        return [f"next: kinematics estimate {command} --layers"]
    change = estimate.changes[0]
    taken = {candidate.name for candidate in estimate.machine.candidates}
    names = chain(["faster"], (f"faster {number}" for number in count(2)))
    name = next(word for word in names if word not in taken)
    settings = ", ".join(f"{SHORT.get(key, key)}={value_text(value)}" for key, value in change.settings)
    return [f'next: kinematics compare {command} --candidate "{name}: {settings}"']


def machine_lines(estimate: Estimate, machine_words: str) -> list[str]:
    """What stands above everything: which machine, in `machine_words`, or the three that were timed."""
    return _span_lines(estimate) if estimate.span else [f"on {machine_words}"]


def job_lines(estimate: Estimate) -> list[str]:
    """Every job in full, and their sum."""
    lines: list[str] = []
    for job in estimate.jobs:
        lines += ["", *_job_lines(job, estimate.machine)]
        lines += _facts(job)
        lines += _stated(job)
        lines += _labels(job)
        lines += _unknown_stops(job)
        lines += notice_lines(job.notices)
    if len(estimate.jobs) > 1:
        between = "" if estimate.interval_s is None else f" ({between_text(estimate.interval_s)})"
        lines += ["", f"all {len(estimate.jobs)} jobs  {duration_text(estimate.total_s)}{between}"]
    return lines[1:]


def _copies(job: JobEstimate) -> list[str]:
    """Of several copies what one takes, how they are made, how many fit, and what is not modelled."""
    made = job.copies
    if made is None:
        return []
    each = duration_text(job.total_s / made.number)
    travels = f"{made.extra_travels:,} more travels, with one retraction each where the job retracts"
    return [
        f"  {made.number} copies at a time, {made.how}, {each} each; {made.reason}",
        f"  {travels}; oozing is not modelled",
    ]


def closing_lines(estimate: Estimate, machine_option: str, options: Sequence[str] = ()) -> list[str]:
    """What stands below everything: what one change saves, limits that nobody gave, the next command, the caution.

    `machine_option` and the other `options` of the command go into the next one.
    """
    lines: list[str] = []
    if estimate.changes:
        several = any(change.together for change in estimate.changes[:3])
        first = "if you change one thing, or several that belong together," if several else "if you change one thing,"
        for i, change in enumerate(estimate.changes[:3]):
            lines.append(f"{'  or' if i else first} {_change(change, estimate.total_s)}")
            lines += _silencing(change)
    lines += _assumed(estimate)
    if not estimate.span:
        told = {one.key for job in estimate.jobs for one in job.stated}
        lines += _not_given([key for key in estimate.machine.limits_not_given() if key not in told])
    lines += _next(estimate, machine_option, options)
    if estimate.changes:
        lines.append(CAUTION)
    return lines


def _span_lines(estimate: Estimate) -> list[str]:
    low = min(estimate.span, key=lambda span: span.total_s)
    high = max(estimate.span, key=lambda span: span.total_s)
    between = f"between {duration_text(low.total_s)} and {duration_text(high.total_s)}"
    lines = [f"{between}: no machine was given, so three were timed"]
    if estimate.heeds_limits and any(job.stated for job in estimate.jobs):
        lines.append("limits stated in the job hold on all three; machine new --from JOB takes them")
    lines += [f"  {span.machine:<9} {duration_text(span.total_s)}" for span in estimate.span]
    lines.append("which is yours? Name it with --machine, or describe your own: kinematics machine new")
    lines += ["", f"on {estimate.machine.machine.name}"]
    return lines


def comparison_heads(comparison: Comparison, detail: bool = False) -> list[tuple[str, bool]]:
    """The heads of the table of a comparison, and which are right-aligned; intervals where there are any, and with
    `detail` the parts of the time and where the raised limits rule.
    """
    time, saved = ("time", True), ("saved", True)
    times = [time, saved] if comparison.sampling is None else [time, ("95 % of times", True), saved, ("95 %", True)]
    parts = (
        [*((name, True) for name in ("motion", *_stops_of(comparison), "cooling")), ("rules", False)] if detail else []
    )
    return [("candidate", False), ("job", False), *times, ("share", True), ("main cause", False), *parts]


def _stops_of(comparison: Comparison) -> list[str]:
    """Dwell and the kinds of stops that any row has."""
    dwell = ["dwell"] if any(row.dwell_s > 0.0 for row in comparison.rows) else []
    kinds = [kind for row in comparison.rows for kind, spent in row.stops_by_kind_s.items() if spent > 0.0]
    return [*dwell, *dict.fromkeys(kinds)]


def _parts_of(row: ComparisonRow, comparison: Comparison) -> list[str]:
    """Motion, stops and cooling of a row, and in which share of a job each raised limit rules."""
    stops = {"dwell": row.dwell_s, **row.stops_by_kind_s}
    seconds = [row.motion_s, *(stops.get(name, 0.0) for name in _stops_of(comparison)), row.cooling_s]
    return [*map(duration_text, seconds), rules_text(comparison.held.get(row.candidate, ()))]


def comparison_rows(rows: Sequence[ComparisonRow], short: bool, of: Comparison | None = None) -> list[tuple[str, ...]]:
    """A comparison's rows as cells: candidate, job, time, saved, share, main cause; intervals behind time and saved.

    The parts of the time follow `of` a comparison that is told in detail. `short` leaves the folders of the jobs out
    where the names alone tell them apart, and repeats no candidate's name.
    """
    names = {row.job: PurePath(row.job).name for row in rows}
    if not short or len(set(names.values())) < len(names):
        names = {row.job: row.job for row in rows}
    cells = []
    last = ""
    for row in rows:
        saved = "" if row.saved_s == 0.0 else duration_text(row.saved_s)
        share = "" if row.saved_s == 0.0 else share_text(row.saved_share)
        candidate = "" if short and row.candidate == last else row.candidate
        last = row.candidate
        times = [duration_text(row.total_s), saved]
        if row.interval_s is not None and row.saved_interval_s is not None:
            surely = "" if row.saved_interval_s == (0.0, 0.0) else between_text(row.saved_interval_s)
            times = [duration_text(row.total_s), between_text(row.interval_s), saved, surely]
        parts = [] if of is None else _parts_of(row, of)
        cells.append((candidate, names[row.job], *times, share, row.cause, *parts))
    return cells


def draws_line(sampling: Sampling, machine: Machine) -> str:
    """How the intervals of a table were drawn."""
    fitted = bool(machine.ranges.keys() & {*(machine.checked.keys or ())})
    both = fitted and _ranges_of_the_user(machine) > 0
    source = "the fit to measured prints" + (" and the ranges" if both else "") if fitted else "the ranges"
    return f"95 % lie between, of {sampling.draws:,} draws from {source} (--draws, --seed)"


def comparison_notes(comparison: Comparison) -> list[str]:
    """What stands under a comparison: warnings by job, and the caution."""
    lines: list[str] = []
    for file, notices in comparison.notices.items():
        if notices:
            lines += [f"{file}: {line}" if i == 0 else line for i, line in enumerate(notice_lines(notices))]
    for name, held in comparison.held.items():
        (row,) = (row for row in comparison.totals if row.candidate == name)
        lines += held_lines(held, row.total_s, name)
    for name, silent in comparison.silenced.items():
        (row,) = (row for row in comparison.totals if row.candidate == name)
        own = f"silencing {commands_text(silent)} in the jobs {saving_text(row.saved_by_silencing_s)}"
        lines.append(f"{name}: {own}, what it sets {saving_text(row.saved_s - row.saved_by_silencing_s)}")
    if comparison.sampling is not None:
        lines.append(draws_line(comparison.sampling, comparison.machine))
    if comparison.machine.checked.prints is not None:
        lines.append(f"as it is, the machine is {checked_text(comparison.machine)}")
    return [*lines, CAUTION]


WORTH_HEADS = (("limit", False), ("key", False), ("1 % more saves", True), ("time without it", True))
SHOWN = 0.05  # s: what is less is shown as nothing


def _has_a_say(worth: Worth, job: JobEstimate) -> bool:
    """Whether more of a limit, or none of it, changes the time by anything that is shown."""
    lifted = worth.if_lifted_s
    return abs(worth.one_percent_s) >= SHOWN or lifted is None or abs(lifted - job.total_s) >= SHOWN


def worth_rows(job: JobEstimate) -> list[tuple[str, ...]]:
    """The limits that have a say, as cells: limit, key, what 1 % more saves, the time without it."""
    return [
        (
            worth.what,
            worth.key,
            duration_text(worth.one_percent_s) if abs(worth.one_percent_s) >= SHOWN else "nothing",
            "no other limit" if worth.if_lifted_s is None else duration_text(worth.if_lifted_s),
        )
        for worth in job.worth
        if _has_a_say(worth, job)
    ]


def worth_head(job: JobEstimate) -> list[str]:
    """What stands above the table of a job."""
    return [f"{job.file}  {duration_text(job.total_s)}"]


def worth_below(job: JobEstimate) -> list[str]:
    """What stands under the table of a job: the limits without a say, by their keys."""
    idle = [worth.key for worth in job.worth if not _has_a_say(worth, job)]
    return [f"more of these, or none of them, changes nothing: {', '.join(idle)}"] if idle else []


def worth_notes(estimate: Estimate) -> list[str]:
    """What stands under all tables: the limits that nobody gave, and the caution."""
    told = {one.key for job in estimate.jobs for one in job.stated}
    missing = [key for key in estimate.machine.limits_not_given() if key not in told]
    lines = [f"{NO_LIMIT}: {', '.join(missing)}"] if missing else []
    return [*lines, CAUTION]


MOST_IN_FULL = 5  # jobs; more of them are a table


def jobs_heads(estimate: Estimate) -> list[tuple[str, bool]]:
    """The heads of the table, and which are right-aligned; intervals where there are any."""
    between = [] if estimate.interval_s is None else [("95 % of times", True)]
    mass = [("filament", True)] if _weighed(estimate) else []
    return [("job", False), ("time", True), *between, *mass, ("main cause", False), ("warnings", True)]


def jobs_rows(estimate: Estimate) -> list[tuple[str, ...]]:
    """A row a job, and the sum of them all."""
    rows: list[tuple[str, ...]] = []
    for job in estimate.jobs:
        cause = job.causes[0]
        count = len(job.notices)
        rows.append(
            (
                job.file,
                duration_text(job.total_s),
                *(
                    []
                    if estimate.interval_s is None
                    else ["" if job.interval_s is None else between_text(job.interval_s)]
                ),
                *([f"{job.filament_g or 0.0:,.1f} g"] if _weighed(estimate) else []),
                f"{cause.cause} ({share_text(cause.share)})",
                str(count) if count else "",
            )
        )
    mass = sum(job.filament_g or 0.0 for job in estimate.jobs)
    rows.append(
        (
            f"all {len(estimate.jobs)} jobs",
            duration_text(estimate.total_s),
            *([] if estimate.interval_s is None else [between_text(estimate.interval_s)]),
            *([f"{mass:,.1f} g"] if _weighed(estimate) else []),
            "",
            "",
        )
    )
    return rows


def _weighed(estimate: Estimate) -> bool:
    return all(job.filament_g is not None for job in estimate.jobs)


def jobs_notes(estimate: Estimate) -> list[str]:
    """What is doubtful in many jobs, each kind once with the number of jobs; stops of unknown length."""
    found: dict[str, list[str]] = {}
    for job in estimate.jobs:
        for notice in job.notices:
            found.setdefault(notice.text, []).append(job.file)
    lines = [f"{len(found)} kind{'s' if len(found) > 1 else ''} of warning:"] if found else []
    for text, files in list(found.items())[:SHOWN_NOTICES]:
        where = files[0] if len(files) == 1 else f"{len(files)} jobs, first {files[0]}"
        lines.append(f"  {text} ({where})")
    if len(found) > SHOWN_NOTICES:
        lines.append(f"  … and {len(found) - SHOWN_NOTICES} more kinds (all of them with --json)")
    stops = [job.file for job in estimate.jobs if job.unknown_stops]
    if stops:
        many = stops[0] if len(stops) == 1 else f"{len(stops)} jobs"
        lines.append(f"stops of unknown length in {many}, counted as 0 s (kinematics estimate JOB names them)")
    return lines
