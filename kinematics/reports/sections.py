"""The sections of a report on jobs: each a small function from a result to what the page shows of it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from kinematics.reports import bar_pictures as by_bars
from kinematics.reports.caps_screen import cap_cells, cap_heads, cap_notes, formula_lines
from kinematics.reports.fit_screen import fit_head, fit_notes, print_heads, print_rows
from kinematics.reports.ladder_screen import below_rungs, ladder_heads, ladder_rows, reach_lines, until_lines
from kinematics.reports.marks import A_MOMENT, height_of_bars
from kinematics.reports.page import Illustration, PagePart, PageTable
from kinematics.reports.path_pictures import chosen_layer, draw_views, heights_of_views, path_of
from kinematics.reports.pictures import AROUND_VIEWS, VIEW, picture_of
from kinematics.reports.screens import (
    CAUTION,
    NO_LIMIT,
    WORTH_HEADS,
    assumed_text,
    comparison_heads,
    comparison_rows,
    draws_line,
    held_text,
    worth_below,
    worth_rows,
)
from kinematics.reports.sweep_screen import knee_lines, sweep_cells, sweep_heads, trade_off_lines
from kinematics.reports.vibration_screen import (
    answer_lines,
    filter_cells,
    filter_heads,
    head_lines,
    mode_cells,
    mode_heads,
)
from kinematics.wording import duration_text, quantity_text, share_text, value_text

if TYPE_CHECKING:
    from kinematics.filtering.answer import VibrationStudy
    from kinematics.machine import Machine
    from kinematics.measured.fit import Fit
    from kinematics.studies.caps import Caps
    from kinematics.studies.compare import Comparison
    from kinematics.studies.estimate import Estimate, JobEstimate
    from kinematics.studies.ladder import Ladder
    from kinematics.studies.sweep import Sweep

MOST_PATHS = 3  # jobs of which the path is drawn: each is two images
MOST_ROWS = 400  # of a sweep or of layers in a table
NEVER_GIVEN = "not given"


def picture(name: str, result: Any) -> Illustration:
    """The picture of a result as an illustration."""
    drawing, height = picture_of(result)
    return Illustration(name, drawing, height)


def facts_table(caption: str, rows: Sequence[tuple[str, str]]) -> PageTable:
    """Names and values."""
    return PageTable(caption, (("", False), ("", False)), rows)


def asked_section(estimate: Estimate, question: str, machine_words: str) -> PagePart:
    """What was asked, of which jobs, with which machine."""
    heads = (("job", False), ("moves", True), ("layers", True), ("printed path", True), ("filament", True))
    rows = []
    for job in estimate.jobs:
        mass = "" if job.filament_g is None else f", {job.filament_g:.1f} g"
        filament = f"{job.filament_mm / 1000.0:,.2f} m{mass}"
        path = f"{job.printed_path_mm / 1000.0:,.1f} m"
        rows.append((job.file, f"{job.moves:,}", f"{job.layers:,}", path, filament))
    given = [
        (row.key, value_text(row.value), row.origin)
        for row in estimate.machine.effective()
        if row.value is not None and row.origin not in ("not given", "default")
    ]
    notes = []
    if words := assumed_text(dict(pair for job in estimate.jobs for pair in job.assumed).items()):
        notes.append(words)
    if missing := estimate.machine.limits_not_given():
        notes.append(f"{NO_LIMIT}: {', '.join(missing)}")
    for job in estimate.jobs:
        for one in job.stated:
            held = held_text(one) or f"(line {one.line})"
            notes.append(f"{job.file} states {one.key} itself: {quantity_text(one.value)} {held}")
    machine = PageTable("what the machine file says", (("key", False), ("value", False), ("from", False)), given)
    return PagePart(
        "asked",
        "What was asked",
        (question, f"On {machine_words}."),
        (),
        (PageTable("jobs", heads, rows), machine),
        notes,
    )


def time_section(estimate: Estimate, comparison: Comparison | None) -> PagePart:
    """The time now, and under each candidate."""
    heads = [("job", False), ("time", True)]
    parts = list(dict.fromkeys(name for job in estimate.jobs for name in job.stops_by_kind_s))
    heads += [("motion", True), ("dwell", True), *((name, True) for name in parts), ("cooling", True)]
    intervals = any(job.interval_s is not None for job in estimate.jobs)
    heads += [("95 % of times", True)] if intervals else []
    rows = []
    for job in estimate.jobs:
        stops = [duration_text(job.stops_by_kind_s.get(name, 0.0)) for name in parts]
        cells = [job.file, duration_text(job.total_s), duration_text(job.motion_s), duration_text(job.dwell_s), *stops]
        cells.append(duration_text(job.cooling_s))
        if intervals:
            ends = job.interval_s
            cells.append("" if ends is None else f"{duration_text(ends.low)} to {duration_text(ends.high)}")
        rows.append(tuple(cells))
    notes = ["These times are planned, not measured: hold a stopwatch against one print before you rely on them."]
    tables = [PageTable("time now, by part", heads, rows)]
    if comparison is None:
        return PagePart("time", "The time now", (), (), tables, notes)
    told = (*comparison.rows, *(comparison.totals if len(estimate.jobs) > 1 else ()))
    tables.append(PageTable("under each candidate", comparison_heads(comparison), comparison_rows(told, False)))
    settings = [
        (one.name, ", ".join(f"{key} = {value_text(value)}" for key, value in one.set.items()))
        for one in comparison.candidates
    ]
    tables.append(PageTable("what each candidate sets", (("candidate", False), ("sets", False)), settings))
    notes += [] if comparison.sampling is None else [draws_line(comparison.sampling, comparison.machine)]
    notes += [
        f"{name}: {count:,} commands in the jobs that state the same limits are left out"
        for name, count in comparison.silenced.items()
    ]
    figure = picture("candidates", comparison)
    return PagePart("time", "The time now, and under each candidate", (), (figure,), tables, notes)


def before_section(before: Mapping[str, Any], estimate: Estimate) -> PagePart | None:
    """The time then, from a saved document, beside the time now; None where no job is in both."""
    then = {str(job["file"]).replace("\\", "/").rsplit("/", 1)[-1]: float(job["total_s"]) for job in before["jobs"]}
    rows = []
    for job in estimate.jobs:
        name = by_bars.bare(job.file)
        if name in then:
            saved = then[name] - job.total_s
            share = share_text(saved / then[name]) if then[name] > 0.0 else ""
            rows.append((name, duration_text(then[name]), duration_text(job.total_s), duration_text(saved), share))
    if not rows:
        return None
    heads = (("job", False), ("then", True), ("now", True), ("saved", True), ("share", True))
    old, new = flat(before.get("machine", {})), flat(estimate.machine.as_dict())
    changed = [
        (key, value_text(old[key]) if key in old else NEVER_GIVEN, value_text(new[key]) if key in new else NEVER_GIVEN)
        for key in dict.fromkeys((*old, *new))
        if old.get(key) != new.get(key)
    ]
    tables = [PageTable("then and now", heads, rows)]
    if changed:
        tables.append(
            PageTable("what changed on the machine", (("key", False), ("then", False), ("now", False)), changed)
        )
    lead = ("Then is what an earlier run of kinematics found and saved; both times are planned alike.",)
    return PagePart("before", "Then and now", lead, (), tables)


def flat(values: Mapping[str, Any], above: str = "") -> dict[str, Any]:
    """The values of nested plain data by dotted key, those not given left out."""
    found: dict[str, Any] = {}
    for key, value in values.items():
        if isinstance(value, Mapping) and value.keys() != {"low", "likely", "high"}:
            found |= flat(value, f"{above}{key}.")
        elif value is not None and value != [] and value != ():
            found[above + key] = list(value) if isinstance(value, tuple) else value
    return found


def causes_section(estimate: Estimate) -> PagePart:
    """Where the time goes, and what a change of one limit would save."""
    total = estimate.total_s
    rows = [(name, duration_text(spent), share_text(spent / total)) for name, spent in by_bars.causes_of(estimate.jobs)]
    tables = [PageTable("time by what it is spent under", (("cause", False), ("time", True), ("share", True)), rows)]
    changes = [
        (
            change.what,
            "" if change.before is None else f"{quantity_text(change.before)} {change.unit}",
            f"{quantity_text(change.after)} {change.unit}",
            duration_text(change.saved_s),
        )
        for change in estimate.changes
    ]
    if changes:
        heads = (("limit", False), ("from", True), ("to", True), ("saves", True))
        tables.append(PageTable("if you change one thing", heads, changes))
    return PagePart("causes", "Where the time goes", (), (picture("where-the-time-goes", estimate),), tables)


def worth_section(estimate: Estimate) -> PagePart:
    """What 1 % more of each limit buys, and the time without it."""
    figures, tables, notes = [], [], []
    for number, job in enumerate(estimate.jobs, 1):
        count = sum(worth.one_percent_s >= A_MOMENT for worth in job.worth)
        height = height_of_bars(min(count, by_bars.MOST_BARS))
        figures.append(Illustration(f"worth-{number}", _of_job(by_bars.draw_worth, job), height))
        tables.append(PageTable(f"what limits are worth in {job.file}", WORTH_HEADS, worth_rows(job)))
        notes += worth_below(job)
    return PagePart("worth", "What each limit is worth", (), figures, tables, notes)


def _of_job(draw: Any, job: JobEstimate) -> Any:
    return lambda axes, look: draw(axes, look, job)


def layers_section(estimate: Estimate) -> PagePart:
    """The time of every layer."""
    from kinematics.studies.estimate import layer_rows

    figures, tables, notes = [], [], []
    heads = (("layer", True), ("moves", True), ("in motion", True), ("waiting", True), ("in all", True))
    for number, job in enumerate(estimate.jobs, 1):
        if not job.layers:
            notes.append(f"{job.file} has no layers: its path rises and falls while it prints.")
            continue
        figures.append(Illustration(f"layers-{number}", _of_job(by_bars.draw_layers, job), 3.4))
        rows = layer_rows(job)
        step = math.ceil(len(rows) / MOST_ROWS)
        cells = [
            (
                str(row["layer"]),
                f"{row['moves']:,}",
                *(duration_text(float(row[name] or 0.0)) for name in ("motion_s", "cooling_s", "total_s")),
            )
            for row in rows[::step]
        ]
        every = f", every {step} layers" if step > 1 else ""
        tables.append(PageTable(f"layers of {job.file}{every}", heads, cells))
    return PagePart("layers", "Layer by layer", (), figures, tables, notes)


def path_section(estimate: Estimate, layer: int | None) -> PagePart:
    """The path of the longest jobs, by speed and by what binds. Raises InputError for a layer that there is not."""
    longest = sorted(estimate.jobs, key=lambda job: -job.total_s)[:MOST_PATHS]
    figures, tables = [], []
    for number, job in enumerate((one for one in estimate.jobs if one in longest), 1):
        path = path_of(job.timing.whole_plan())
        if not path.seconds.size:
            continue
        shown = chosen_layer(path, layer, job.layers)
        ratios = heights_of_views(path, shown, VIEW)

        def draw(axes: Any, look: Any, job: JobEstimate = job, path: Any = path, shown: int = shown) -> Any:
            return draw_views(axes, look, job, path, shown)

        figures.append(Illustration(f"path-{number}", draw, sum(ratios) + AROUND_VIEWS, (2, 2), ratios, is_image=True))
        total = sum(spent for _, spent in path.causes) or 1.0
        rows = [(name, duration_text(spent), share_text(spent / total)) for name, spent in path.causes]
        heads = (("what binds", False), ("time of moves", True), ("share", True))
        tables.append(PageTable(f"what binds the path of {job.file}", heads, rows))
    lead = ["A move is counted under what bounds it for the longer part of its time; travels are thin lines."]
    left_out = len(estimate.jobs) - len(longest)
    lead += [f"The {len(longest)} longest of {len(estimate.jobs)} jobs are drawn."] if left_out else []
    return PagePart("path", "The path", lead, figures, tables)


def sweep_section(sweep: Sweep, number: int) -> PagePart:
    """How time falls as limits rise, and where it stops paying."""
    names = " and ".join(knob.name for knob in sweep.knobs)
    step = math.ceil(len(sweep.rows) / MOST_ROWS)
    every = f", one row in {step}" if step > 1 else ""
    heads = sweep_heads(sweep.knobs, sweep.sampling is not None)
    table = PageTable(f"what was tried{every}", heads, sweep_cells(sweep.rows[::step], False))
    drawable = len(sweep.knobs) <= 2
    figures = (picture(f"sweep-{number}", sweep),) if drawable else ()
    lines = trade_off_lines(sweep) if len(sweep.knobs) > 1 else [line for line in knee_lines(sweep) if line != CAUTION]
    return PagePart(f"sweep-{number}", f"Where more {names} stops paying", (), figures, (table,), (), (lines,))


def ladder_section(ladder: Ladder) -> PagePart:
    """What must be raised, in which order, and what each step brings."""
    lines = [*until_lines(ladder), *below_rungs(ladder), *reach_lines(ladder)]
    tables = (PageTable("step by step", ladder_heads(ladder), ladder_rows(ladder, False)),) if ladder.rungs else ()
    notes = [line.strip() for line in lines if line != CAUTION]
    figures = (picture("ladder", ladder),) if ladder.rungs else ()
    return PagePart("ladder", "Step by step", (), figures, tables, notes)


def measured_section(fit: Fit, machine_words: str) -> PagePart:
    """What was promised against what was measured, and what that tells of the machine."""
    notes = [line.strip() for line in fit_notes(fit, "TIMES.csv")] if fit.explanations is None else []
    tables = (PageTable("promised and measured", print_heads(fit), print_rows(fit)),)
    return PagePart(
        "measured", "Promised and measured", fit_head(fit, machine_words), (picture("measured", fit),), tables, notes
    )


def vibration_section(found: VibrationStudy) -> PagePart:
    """How the machine swings, and which filter serves best."""
    choice = found.choice
    tables = (
        PageTable("how the axes swing", mode_heads(), mode_cells(found)),
        PageTable("filters", filter_heads(choice), filter_cells(choice)),
    )
    lines = [*head_lines(found), *answer_lines(found, None)]
    notes = [line.strip() for line in lines if line and line != CAUTION]
    return PagePart("vibration", "Which filter against vibration", (), (picture("filters", found),), tables, notes)


def caps_section(caps: Caps) -> PagePart:
    """How far each limit may go, and what stops it, with every formula in numbers."""
    formulas = formula_lines(caps)
    notes = [line.strip() for line in cap_notes(caps, True) if line != CAUTION]
    worked = (formulas,) if formulas else ()
    figure = picture("caps", caps)
    return PagePart(
        "caps",
        "How far each limit may go",
        (),
        (figure,),
        (PageTable("limits and caps", cap_heads(caps), cap_cells(caps)),),
        notes,
        worked,
    )


def proven_section(machine: Machine) -> PagePart | None:
    """What prints have shown on this machine; None where the machine file holds nothing of the kind."""
    rows = [
        (one.key, quantity_text(one.value), f"{quantity_text(one.low)} to {quantity_text(one.high)}", one.date)
        for one in machine.proven
    ]
    if not rows:
        return None
    heads = (("key", False), ("good up to", True), ("somewhere in", True), ("printed on", False))
    lead = ("These values come from prints on the machine itself and rank above what is reckoned.",)
    return PagePart("proofs", "What prints have shown", lead, (), (PageTable("proven values", heads, rows),))


def warnings_section(estimate: Estimate) -> PagePart:
    """What was doubtful in the jobs and the machine file, and the cautions."""
    rows = [
        (job.file, "" if notice.line is None else f"{notice.line:,}", f"{notice.count:,}", notice.text)
        for job in estimate.jobs
        for notice in job.notices
    ]
    rows += [
        (job.file, f"{stop.line:,}", "1", f"stop of unknown length, counted as 0 s: {stop.what}")
        for job in estimate.jobs
        for stop in job.unknown_stops
    ]
    rows += [("machine", "", "1", text) for text in estimate.machine.check()]
    heads = (("where", False), ("line", True), ("times", True), ("what", False))
    tables = (PageTable("doubtful input", heads, rows),) if rows else ()
    lead = () if rows else ("Nothing in the jobs or the machine file was doubtful.",)
    return PagePart("cautions", "Warnings and cautions", lead, (), tables, (CAUTION,))


def made_section(command: str, versions: Sequence[tuple[str, str]], hashes: Sequence[tuple[str, str, str]]) -> PagePart:
    """How the page was made: the command, versions, and hashes of what was read."""
    tables = (
        PageTable("what was read", (("file", False), ("bytes", True), ("SHA-256", False)), hashes),
        facts_table("versions", versions),
    )
    return PagePart("made", "How this page was made", (), (), tables, (), ((command,),))
