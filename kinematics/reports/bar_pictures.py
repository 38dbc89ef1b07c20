"""Answers as rows of bars: where the time goes, candidates, worth, caps, targets, upgrades, vibration; and layers."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath
from typing import TYPE_CHECKING

from kinematics.reports.marks import A_MOMENT, OneBar, bars, quiet, time_scale
from kinematics.reports.style import HAIR_WIDTH, HATCHES, DrawingLook, Headline, LegendKey
from kinematics.reports.upgrades import is_counted, letters_of, pays_text, together_text
from kinematics.wording import duration_text, money_text, quantity_text, share_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from kinematics.business.upgrades import Upgrades
    from kinematics.jobs.whole_jobs import Ringing, Rounding
    from kinematics.studies.caps import CapRow, Caps
    from kinematics.studies.compare import Comparison
    from kinematics.studies.estimate import Estimate, JobEstimate
    from kinematics.studies.target import Target

MOST_BARS = 12
NOTHING = 0.0005  # share


def bare(name: str) -> str:
    """A job's name without its folder."""
    return PurePath(name).name or name


def jobs_text(names: Sequence[str]) -> str:
    """Jobs by their bare names, or how many they are."""
    return bare(names[0]) if len(names) == 1 else f"{len(names)} jobs"


def causes_of(jobs: Sequence[JobEstimate]) -> list[tuple[str, float]]:
    """Seconds by cause of all jobs together, most first."""
    seconds: dict[str, float] = {}
    for job in jobs:
        for cause in job.causes:
            seconds[cause.cause] = seconds.get(cause.cause, 0.0) + cause.seconds
    return sorted(((name, spent) for name, spent in seconds.items() if spent >= A_MOMENT), key=lambda item: -item[1])


def draw_causes(axes: Axes, look: DrawingLook, estimate: Estimate) -> Headline:
    """Where the time of an estimate's jobs goes."""
    found, total = causes_of(estimate.jobs), estimate.total_s
    shown = found[: MOST_BARS - 1] if len(found) > MOST_BARS else found
    rest = sum(seconds for _, seconds in found[len(shown) :])
    rows = [*shown, *([("everything else", rest)] if rest > 0.0 else [])]
    scale = time_scale(rows[0][1])
    place = bars(
        axes,
        look,
        [
            OneBar(
                name,
                seconds / scale.seconds,
                f"{duration_text(seconds)} · {share_text(seconds / total)}",
                look.tones[0],
            )
            for name, seconds in rows
        ],
        f"time spent under it ({scale.name})",
    )
    name, most = found[0]
    finding = f"{share_text(most / total)} of the time is spent under {name}"
    about = f"{jobs_text([job.file for job in estimate.jobs])} on {estimate.machine.name}: {duration_text(total)}"
    return Headline(finding, about, (), place)


def draw_worth(axes: Axes, look: DrawingLook, job: JobEstimate) -> Headline:
    """What each limit of a job is worth: seconds that 1 % more of it buys."""
    shown = [worth for worth in job.worth if worth.one_percent_s >= A_MOMENT][:MOST_BARS]
    about = f"{bare(job.file)}: {duration_text(job.total_s)}"
    if not shown:
        quiet(axes, look, "No limit of this machine holds the job by as much as that.")
        return Headline("1 % more of any limit buys nothing worth naming", about)
    rows = []
    for worth in shown:
        lifted = worth.if_lifted_s
        without = "no other limit" if lifted is None else f"{duration_text(lifted)} without it"
        rows.append(
            OneBar(worth.what, worth.one_percent_s, f"{duration_text(worth.one_percent_s)} · {without}", look.tones[0])
        )
    place = bars(axes, look, rows, "1 % more of it saves (s)")
    return Headline(
        f"1 % more of {shown[0].what} buys {duration_text(shown[0].one_percent_s)}, the most of all", about, (), place
    )


def draw_comparison(axes: Axes, look: DrawingLook, comparison: Comparison) -> Headline:
    """The time of all jobs under each candidate."""
    rows = comparison.totals[:MOST_BARS]
    scale = time_scale(max(row.total_s for row in rows))
    drawn = []
    for i, row in enumerate(rows):
        saved = f"saves {duration_text(row.saved_s)} ({share_text(row.saved_share)})"
        if row.saved_s < -A_MOMENT:
            saved = f"costs {duration_text(-row.saved_s)} more"
        words = duration_text(row.total_s) + ("" if i == 0 or abs(row.saved_s) <= A_MOMENT else f" · {saved}")
        ends = row.interval_s and (row.interval_s.low / scale.seconds, row.interval_s.high / scale.seconds)
        tone = look.rule if i == 0 else look.tones[0]
        drawn.append(OneBar(row.candidate, row.total_s / scale.seconds, words, tone, ends=ends))
    place = bars(axes, look, drawn, f"time ({scale.name})")
    best = min(comparison.totals, key=lambda row: row.total_s)
    finding = f"“{best.candidate}” is the shortest: {duration_text(best.saved_s)} less ({share_text(best.saved_share)})"
    if best.saved_s <= A_MOMENT:
        finding = "No candidate is faster than the machine as it is"
    names = list(dict.fromkeys(row.job for row in comparison.rows))
    more = "; the line shows where 95 % of the draws lie" if comparison.sampling is not None else ""
    return Headline(finding, f"{jobs_text(names)} on {comparison.machine.name}{more}", (), place)


def rows_with_caps(caps: Caps) -> list[tuple[CapRow, float]]:
    """Each limit that is set and has a known cap, with the highest that its caps allow; the nearest to it first."""
    rows = []
    for row in caps.rows:
        bounds = [bound for bound in (row.no_further_than, row.in_the_job) if bound is not None]
        if row.asked is not None and bounds and min(bounds) > 0.0:
            rows.append((row, min(bounds)))
    return sorted(rows, key=lambda pair: -(pair[0].asked or 0.0) / pair[1])


def draw_caps(axes: Axes, look: DrawingLook, caps: Caps) -> Headline:
    """Each limit that is set, as a share of the highest that its caps allow."""
    rows = rows_with_caps(caps)
    about = f"{caps.machine.name}; 100 % is the highest that the known caps allow"
    if not rows:
        quiet(axes, look, "The machine file tells nothing that would stop a limit.")
        return Headline("No cap is known on this machine", about)
    shown = [
        OneBar(
            row.what,
            100.0 * (row.asked or 0.0) / most,
            f"{quantity_text(row.asked or 0.0)} of {quantity_text(most)} {row.unit} · {row.stopped_by}",
            look.tones[1] if row.within_caps is False else look.tones[0],
        )
        for row, most in rows[:MOST_BARS]
    ]
    place = bars(axes, look, shown, "set now, in % of the highest allowed")
    axes.axvline(100.0, color=look.ink, linewidth=1.1, zorder=3)
    over = [row for row, _ in rows if row.within_caps is False]
    finding = f"All {len(rows)} limits with a known cap stay within it"
    if len(rows) == 1:
        finding = "The one limit with a known cap stays within it"
    if over:
        finding = f"{over[0].what[:1].upper()}{over[0].what[1:]} is set beyond what {over[0].stopped_by} takes"
        finding += (
            f"; {len(over) - 1} more are too high"
            if len(over) > 2
            else "; one more is too high"
            if len(over) == 2
            else ""
        )
    return Headline(finding, about, (), place)


def draw_target(axes: Axes, look: DrawingLook, target: Target) -> Headline:
    """How far each knob must be turned for a deadline."""
    rows = [
        OneBar(
            one.knob,
            one.after / one.before if one.before else 1.0,
            f"{quantity_text(one.before)} to {quantity_text(one.after)}",
            look.tones[0],
        )
        for one in target.turned
    ]
    place = bars(axes, look, rows, "how many times what it is now")
    axes.axvline(1.0, color=look.ink, linewidth=1.1, zorder=3)
    within = duration_text(target.within_s)
    about = f"{duration_text(target.present_total_s)} now, {duration_text(target.total_s)} then"
    if not target.met:
        return Headline(f"{within} cannot be met: {target.stopped_by} holds it", about, (), place)
    return Headline(f"{within} is met with {rows[0].name} at {quantity_text(target.turned[0].after)}", about, (), place)


def upgrades_finding(found: Upgrades) -> str:
    """Which upgrade pays first, and how many do."""
    years = found.machine.economy.service_years
    worth = [step for step in found.order if step.pays_within(years)]
    if not worth:
        return "None of these upgrades pays back within the service life"
    first = " with ".join(worth[0].upgrades)
    return f"“{first}” pays first; {len(worth)} of {len(found.order)} steps pay within {years} years"


def draw_upgrades(axes: Axes, look: DrawingLook, found: Upgrades) -> Headline:
    """What each upgrade alone saves a month, in money where that is known and in hours where it is not."""
    letters, currency = letters_of(found), found.machine.economy.currency
    counted = all(is_counted(option, found) for option in found.alone)
    years = found.machine.economy.service_years
    rows = []
    for option in found.alone[:MOST_BARS]:
        hours = option.saved_per_month_s / 3600.0
        pays = option.pays_within(years)
        words = (
            duration_text(option.saved_per_month_s) if abs(option.saved_share_per_month) >= NOTHING else "saves nothing"
        )
        if counted:
            told = f"pays in {pays_text(option)}" if option.saving > 0.0 else "never pays"
            words = f"{money_text(option.saving, currency)} · {told}"
        value = max(option.saving if counted else hours, 0.0)
        rows.append(
            OneBar(together_text(option.upgrades, letters), value, words, look.tones[0], "" if pays else HATCHES[0])
        )
    unit = f"saved a month ({currency or 'money'})" if counted else "saved a month (h)"
    place = bars(axes, look, rows, unit)
    keys = (
        LegendKey(f"pays within {years} years", look.tones[0]),
        LegendKey("does not", look.tones[0], HATCHES[0]),
    )
    return Headline(upgrades_finding(found), f"on {found.machine.name}, on your mix of jobs", keys, place)


def draw_ringing(axes: Axes, look: DrawingLook, ringing: Ringing) -> Headline:
    """How far a single kick leaves each axis swinging, against the budget."""
    rows = []
    for axis in ringing.axes:
        words = f"{quantity_text(axis.by_one_kick_mm)} mm · filter {axis.filter}"
        rows.append(OneBar(f"axis {axis.axis}", axis.by_one_kick_mm, words, look.tones[0]))
    place = bars(axes, look, rows, "what one kick leaves at most (mm)")
    worst = max(ringing.axes, key=lambda axis: axis.by_one_kick_mm)
    finding = f"One kick leaves axis {worst.axis} swinging by {quantity_text(worst.by_one_kick_mm)} mm at most"
    if ringing.budget_mm is not None:
        axes.axvline(ringing.budget_mm, color=look.tones[1], linewidth=1.1, zorder=3)
        finding += f"; {quantity_text(ringing.budget_mm)} mm are allowed"
    return Headline(finding, f"{bare(ringing.job)} on {ringing.machine.name}", (), place)


def draw_rounding(axes: Axes, look: DrawingLook, rounding: Rounding) -> Headline:
    """How far filters take the printed path off the drawn one, against the budget."""
    told = (
        (f"at worst, line {rounding.line}", rounding.worst_mm),
        ("95 % of the path below", rounding.most_mm),
        ("half of the path below", rounding.median_mm),
    )
    place = bars(
        axes,
        look,
        [OneBar(name, value, f"{quantity_text(value)} mm", look.tones[0]) for name, value in told],
        "off the drawn path (mm)",
    )
    finding = f"The filters round by {quantity_text(rounding.worst_mm)} mm at worst"
    if rounding.budget_mm is not None:
        axes.axvline(rounding.budget_mm, color=look.tones[1], linewidth=1.1, zorder=3)
        finding += f"; {quantity_text(rounding.budget_mm)} mm are allowed"
    return Headline(finding, f"{bare(rounding.job)} on {rounding.machine.name}", (), place)


def draw_layers(axes: Axes, look: DrawingLook, job: JobEstimate) -> Headline:
    """The time of every layer: motion, and on top of it what the shortest layer time adds."""
    from kinematics.reports.marks import plain_axis
    from kinematics.studies.estimate import layer_rows

    rows = layer_rows(job)
    rows = rows[1:] if len(rows) > 1 and not rows[0]["total_s"] else rows
    numbers = [int(row["layer"] or 0) for row in rows]
    motion = [float(row["motion_s"] or 0.0) for row in rows]
    whole = [float(row["total_s"] or 0.0) for row in rows]
    scale = time_scale(max(whole))
    edges = [numbers[0] - 0.5, *(number + 0.5 for number in numbers)]
    axes.stairs([one / scale.seconds for one in motion], edges, fill=True, color=look.tones[0], linewidth=0.0, zorder=2)
    keys = [LegendKey("in motion", look.tones[0])]
    if sum(whole) > sum(motion):
        axes.stairs(
            [one / scale.seconds for one in whole],
            edges,
            baseline=[one / scale.seconds for one in motion],
            fill=True,
            color=look.tones[4],
            linewidth=0.0,
            zorder=2,
        )
        keys.append(LegendKey("waiting: shortest layer time", look.tones[4]))
    plain_axis(axes, "x", edges[0], edges[-1], False)
    plain_axis(axes, "y", 0.0, 1.08 * max(max(whole) / scale.seconds, 1e-9), False)
    axes.grid(axis="y", color=look.grid, linewidth=HAIR_WIDTH)
    axes.set_xlabel("layer")
    axes.set_ylabel(f"time ({scale.name})")
    longest = max(range(len(whole)), key=lambda i: whole[i])
    finding = f"Layer {numbers[longest]} takes longest, {duration_text(whole[longest])}"
    if numbers[longest] == 0:
        finding = f"Most of it goes by before the first layer, {duration_text(whole[longest])}"
    waits = sum(1 for i in range(len(whole)) if whole[i] > motion[i])
    if waits:
        finding += f"; {waits} of {job.layers} layers wait for cooling"
    return Headline(finding, bare(job.file), tuple(keys) if len(keys) > 1 else (), lambda: None)
