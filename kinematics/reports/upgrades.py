"""Upgrades as lines and rows for a terminal. Everything shown here is in the JSON as well."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from string import ascii_uppercase
from typing import TYPE_CHECKING

from kinematics.reports.screens import CAUTION, notice_lines
from kinematics.wording import duration_text, money_text, months_text, quantity_text, share_text

if TYPE_CHECKING:
    from kinematics.studies.upgrades import Option, Upgrades

NOTHING_SAVED = 0.0005  # share of the time below which an upgrade saves nothing to speak of
SHOWN_CAUSES = 2


def upgrade_heads(found: Upgrades, detail: bool) -> list[tuple[str, bool]]:
    """The heads of the table, and which are right-aligned; amounts are in the currency that their heads name."""
    currency = found.machine.economy.currency
    money = f", {currency}" if currency else ""
    heads = [
        ("upgrade", False),
        (f"price{money}", True),
        ("hours to fit", True),
        ("time saved a month", True),
        ("share", True),
        (f"saves a month{money}", True),
        ("pays in", True),
    ]
    return heads + ([(f"npv{money}", True), ("irr", True)] if detail else [])


def letters_of(found: Upgrades) -> dict[str, str]:
    """A letter for each upgrade, in the order of the table: A to Z, then AA."""
    letters = ascii_uppercase
    names = [option.name for option in found.alone]
    return {name: letters[i % 26] * (1 + i // 26) for i, name in enumerate(names)}


def together_text(upgrades: Sequence[str], letters: Mapping[str, str]) -> str:
    """One upgrade by its letter and name, several by their letters: A jobs prepared faster, A+B."""
    if len(upgrades) == 1:
        return f"{letters[upgrades[0]]} {upgrades[0]}"
    return "+".join(sorted((letters[name] for name in upgrades), key=lambda letter: (len(letter), letter)))


def upgrade_rows(found: Upgrades, detail: bool) -> list[tuple[str, ...]]:
    """Cells of every upgrade alone and of the useful combinations, payback first; npv and irr with `detail`."""
    letters = letters_of(found)
    rows: list[tuple[str, ...]] = []
    for option in (*found.alone, *found.together):
        saved = option.saved_share_per_month
        cells: tuple[str, ...] = (
            together_text(option.upgrades, letters),
            money_text(option.price, None),
            f"{option.fitting_hours:g}",
            duration_text(option.saved_per_month) if abs(saved) >= NOTHING_SAVED else "nothing",
            share_text(saved) if abs(saved) >= NOTHING_SAVED else "",
            money_text(option.saving, None),
            pays_text(option),
        )
        if detail:
            npv, irr = option.payback.npv, option.payback.irr
            cells += ("" if npv is None else money_text(npv, None), "" if irr is None else share_text(irr))
        rows.append(cells)
    return rows


def pays_text(option: Option) -> str:
    """When an upgrade pays; with the interval of its payback where there is one."""
    likely = months_text(option.payback.months)
    if option.known is None:
        return likely
    low, high = (months_text(end) for end in option.known.months)
    return likely if low == high == likely else f"{likely} ({low} to {high})"


def upgrade_head(found: Upgrades, assumed: bool) -> list[str]:
    """What stands above the table: the month's prints, and whether their number is assumed."""
    prints = ", ".join(f"{quantity_text(count)} of {job}" for job, count in found.prints)
    lines = [f"prints a month: {prints}"]
    if assumed:
        lines.append("  one of each a day is assumed; --per-month tells how many it really is")
    return lines


def upgrade_notes(found: Upgrades, detail: bool) -> list[str]:
    """What stands under the table: the best order, what does not pay and why, what was left out, the cautions."""
    lines = _order_lines(found)
    for option in found.alone:
        lines += verdict_lines(option, found)
    if detail:
        lines += _detail_lines(found)
    for one, other in found.not_combined:
        lines.append(f"{one} and {other} set the same thing differently: never combined")
    if found.sizes < len(found.alone) and not found.not_combined:
        lines.append(f"many upgrades: sets of more than {found.sizes} were not tried")
    for name, count in found.held.items():
        lines.append(
            f"{name}: {count:,} commands in the jobs state a limit that it changes, and they hold "
            "(--file-limits ignore leaves them out)"
        )
    if found.sampling is not None:
        lines.append(
            f"in brackets: 95 % of {found.sampling.draws} draws from the ranges of the machine lie between; "
            "order and verdicts hold for the likely values"
        )
    if found.costs_not_given:
        lines.append(f"not given, so counted as nothing: {', '.join(found.costs_not_given)}")
    for file, notices in found.notices.items():
        if notices:
            lines += [f"{file}: {line}" if i == 0 else line for i, line in enumerate(notice_lines(notices))]
    lines.append(
        "A saved hour counts as what an hour of the machine costs. It is worth that only where the printer has "
        "something else to print: kinematics shop tells."
    )
    return [*lines, CAUTION]


def _order_lines(found: Upgrades) -> list[str]:
    if not found.order:
        return ["best order: none of them, nothing here saves money on these jobs"]
    currency, years = found.machine.economy.currency, found.machine.economy.service_years
    letters = letters_of(found)
    lines = ["best order, each on top of the ones before:"]
    for number, step in enumerate(found.order, 1):
        saving = money_text(step.saving, currency)
        late = "" if step.months <= 12.0 * years else f": longer than the {years} years that it is counted on"
        lines.append(
            f"  {number}. {together_text(step.upgrades, letters)}: {money_text(step.investment, currency)} in all, "
            f"saves {saving} a month more, pays in {months_text(step.months)}{late}"
        )
    return lines


def verdict_lines(option: Option, found: Upgrades) -> list[str]:
    """When an upgrade does not pay, and why: what holds the jobs, or how often they would have to be printed."""
    years = found.machine.economy.service_years
    held = " and ".join(f"{cause.cause} ({share_text(cause.share)})" for cause in found.causes[:SHOWN_CAUSES])
    if option.saved_share_per_month < NOTHING_SAVED and option.saving <= NOTHING_SAVED * found.cost:
        does = (
            "does nothing for these jobs"
            if option.saved_share_per_month > -NOTHING_SAVED
            else "makes these jobs slower"
        )
        partners = [one.name for one in found.together if option.upgrades[0] in one.upgrades]
        more = f"; it brings something only together: {partners[0]}" if partners else ""
        return [f"{option.name} {does}: what holds them is {held}{more}"]
    now = sum(count for _, count in found.prints)
    if option.pays_from == float("inf"):
        return [f"{option.name} never pays: the time that it saves costs nothing, or it costs more to run"]
    least = quantity_text(option.pays_from)
    if option.pays_within(years):
        return [f"{option.name} pays within {years} years from {least} prints a month on ({quantity_text(now)} now)"]
    return [
        f"{option.name} does not pay within {years} years: that takes {least} prints a month "
        f"({quantity_text(now)} now); what holds the jobs is {held}"
    ]


def _detail_lines(found: Upgrades) -> list[str]:
    economy, currency = found.machine.economy, found.machine.economy.currency
    rate = (
        "no discount_rate given, so no npv" if economy.discount_rate is None else f"{economy.discount_rate:.1%} a year"
    )
    lines = [
        f"npv and irr over {economy.service_years} years (economy.service_years), discounted at {rate}; "
        f"a month's prints cost {money_text(found.cost, currency)} as it is"
    ]
    lines += [
        f"  for {money_text(option.investment, currency)}: {option.name} saves "
        f"{money_text(option.saving, currency)} a month"
        for option in found.by_budget
    ]
    for option in (*found.alone, *found.together):
        lines += [
            f"  {option.name}, {job.job}: {duration_text(job.before)} to {duration_text(job.after)}"
            for job in option.jobs
        ]
    return lines
