"""Measured prints against estimates, and filters against each other, as rows of bars."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from kinematics.reports.bar_pictures import MOST_BARS, bare, jobs_text
from kinematics.reports.fit_screen import errors_text
from kinematics.reports.marks import OneBar, bars, time_scale
from kinematics.reports.style import DrawingLook, Headline, LegendKey
from kinematics.studies.filter_options import filter_words
from kinematics.wording import duration_text, quantity_text, share_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from kinematics.studies.fit import Fit
    from kinematics.studies.vibration import VibrationStudy


def draw_measured(axes: Axes, look: DrawingLook, fit: Fit) -> Headline:
    """What the stopwatch said of each print, and a mark where the estimate lies."""
    prints = fit.prints[:MOST_BARS]
    scale = time_scale(max(max(one.measured_s, one.estimated_s) for one in prints))
    rows = []
    for one in prints:
        off = one.measured_s / one.estimated_s - 1.0
        more = "more" if off >= 0.0 else "less"
        words = f"{duration_text(one.measured_s)} · {share_text(abs(off))} {more} than estimated"
        estimate = one.estimated_s / scale.seconds
        tone = look.tones[4] if one.apart else look.tones[0]
        rows.append(OneBar(bare(one.job), one.measured_s / scale.seconds, words, tone, ends=(estimate, estimate)))
    place = bars(axes, look, rows, f"time by the stopwatch ({scale.name})")
    used = [one for one in fit.prints if not one.apart]
    told = errors_text(fit.before, len(used))
    about = f"{len(fit.prints)} prints on {fit.machine.name}; the upright mark is the estimate"
    keys = (LegendKey("by the stopwatch", look.tones[0]), LegendKey("stands apart", look.tones[4]))
    apart = any(one.apart for one in prints)
    return Headline(told[:1].upper() + told[1:], about, keys if apart else (), place)


def draw_filters(axes: Axes, look: DrawingLook, found: VibrationStudy) -> Headline:
    """The acceleration that each filter of an axis takes, and the time of the jobs with it."""
    choice = found.choice
    pairs = list(zip(choice.by_axis, choice.totals_by_axis, strict=True))[:MOST_BARS]
    most = max((one.acceleration for one, _ in pairs if math.isfinite(one.acceleration)), default=1.0)
    best = {(one.axis, filter_words(one)) for one in choice.best.options}
    rows = []
    for one, total in pairs:
        is_bound = math.isfinite(one.acceleration)
        words = f"{quantity_text(one.acceleration)} mm/s²" if is_bound else "any acceleration"
        words += "" if total is None else f" · {duration_text(total)}"
        tone = look.tones[0] if (one.axis, filter_words(one)) in best else look.rule
        rows.append(OneBar(f"{one.axis}: {filter_words(one)}", one.acceleration if is_bound else most, words, tone))
    place = bars(axes, look, rows, "acceleration that the budgets take (mm/s²)")
    chosen = " and ".join(f"{filter_words(one)} on {one.axis}" for one in choice.best.options)
    jobs = f"{jobs_text(found.jobs)} on " if found.jobs else ""
    return Headline(f"Best: {chosen}", f"{jobs}{found.machine.name}; the best pair is dark", (), place)
