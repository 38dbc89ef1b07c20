"""Upgrades as lines and rows for a terminal. Everything shown here is in the JSON as well."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import ceil
from string import ascii_uppercase
from typing import TYPE_CHECKING

from kinematics.business.economics import machine_hour_cost, not_counted
from kinematics.reports.screens import CAUTION, notice_lines
from kinematics.wording import duration_text, money_text, months_text, quantity_text, share_text

if TYPE_CHECKING:
    from kinematics.business.upgrades import Option, Step, Upgrades

NOTHING_SAVED = 0.0005  # share of the time below which an upgrade saves nothing to speak of
SHOWN_CAUSES = 2
SAYS_UNKNOWN = "unknown"
A_DAY = 0.05  # months: less is told in days


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
            duration_text(option.saved_per_month_s) if abs(saved) >= NOTHING_SAVED else "nothing",
            share_text(saved) if abs(saved) >= NOTHING_SAVED else "",
            money_text(option.saving, None) if is_counted(option, found) else SAYS_UNKNOWN,
            pays_text(option) if is_counted(option, found) else SAYS_UNKNOWN,
        )
        if detail:
            npv, irr = option.payback.npv, option.payback.irr
            cells += ("" if npv is None else money_text(npv, None), "" if irr is None else share_text(irr))
        rows.append(cells)
    return rows


def is_counted(option: Option, found: Upgrades) -> bool:
    """Whether an upgrade's saving is a number at all: not where it saves time of which nobody said what it costs."""
    return option.saving != 0.0 or option.saved_per_month_s == 0.0 or hour_is_known(found)


def hour_is_known(found: Upgrades) -> bool:
    """Whether anything is known of what an hour of the machine costs."""
    return not {"machine", "energy"} <= not_counted(found.machine).keys()


def pays_text(option: Option) -> str:
    """When an upgrade pays; with the interval of its payback where there is one."""
    if option.investment == 0.0 == option.saving:
        return ""  # nothing to pay back, and nothing to pay it back with
    likely = months_text(option.payback.months)
    if option.known is None:
        return likely
    low, high = (months_text(end) for end in option.known.months)
    return likely if low == high == likely else f"{likely} ({low} to {high})"


def upgrade_head(found: Upgrades, assumed: bool) -> list[str]:
    """What stands above the table: the month's prints, and what an hour of the machine counts as."""
    prints = ", ".join(f"{quantity_text(count)} of {job}" for job, count in found.prints)
    lines = [f"prints a month: {prints}"]
    if assumed:
        lines.append("  one of each a day is assumed; --per-month tells how many it really is")
    return [*lines, *hour_lines(found)]


def hour_lines(found: Upgrades) -> list[str]:
    """What a saved hour counts as, what is left out of that, and whether prints that fail are in it."""
    economy, missing = found.machine.economy, not_counted(found.machine)
    if hour_is_known(found):
        hour = f"  a saved hour of the machine counts as {money_text(machine_hour_cost(economy), economy.currency)}"
        for part, words in (("machine", "wear"), ("energy", "energy")):
            if part in missing:
                hour += f", {words} left out ({', '.join(missing[part])} not given)"
    else:
        hour = "  what a saved hour of the machine is worth is unknown: give economy.machine_cost_per_hour"
    if "failed prints" in missing:
        return [hour, "  prints that fail are left out (economy.failed_share not given)"]
    shares = [f"{share_text(economy.failed_share)} of prints"] if economy.failed_share else []
    if economy.failed_share_per_hour:
        shares.append(f"{share_text(economy.failed_share_per_hour)} in every hour of printing")
    if not shares:
        return [hour]
    return [hour, f"  {' and '.join(shares)} fail and are printed again: hours and money include it"]


def upgrade_notes(found: Upgrades, detail: bool) -> list[str]:
    """What stands under the table: the best order, what does not pay and why, what was left out, the cautions."""
    lines = _order_lines(found)
    for option in found.alone:
        lines += verdict_lines(option, found)
    if detail:
        lines += _detail_lines(found)
    for one, other in found.not_combined:
        lines.append(f"{one} and {other} set the same key differently, so they are never combined")
    if found.sizes < len(found.alone) and not found.not_combined:
        lines.append(f"there are many upgrades: more than {found.sizes} together were not tried")
    for name, count in found.held.items():
        commands = "1 command in the jobs sets" if count == 1 else f"{count:,} commands in the jobs set"
        lines.append(
            f"{name}: {commands} a limit that it changes, and the jobs win (--file-limits ignore lets the machine win)"
        )
    if found.sampling is not None:
        lines.append(
            f"in brackets: where 95 % of {found.sampling.draws:,} draws from the machine's ranges lie; "
            "the order and what pays back go by the likely values"
        )
    for file, notices in found.notices.items():
        if notices:
            lines += [f"{file}: {line}" if i == 0 else line for i, line in enumerate(notice_lines(notices))]
    lines.append(
        "A saved hour is worth its money only where the printer has something else to print: kinematics shop tells."
    )
    return [*lines, CAUTION]


def _order_lines(found: Upgrades) -> list[str]:
    if not found.order:
        if not hour_is_known(found) and any(not is_counted(option, found) for option in found.alone):
            return ["best order: unknown, as long as nobody says what an hour of the machine costs"]
        return ["best order: none of them, nothing here saves money on these jobs"]
    years = found.machine.economy.service_years
    worth = [step for step in found.order if step.pays_within(years)]
    lines = [f"worth doing within the {years}-year service life, each on top of the ones before:"] if worth else []
    for number, step in enumerate(found.order, 1):
        if number == len(worth) + 1:
            lines.append(f"not worth it within the {years}-year service life:")
        lines.append(f"  {number}. {_step_text(step, found)}")
    return lines


def _step_text(step: Step, found: Upgrades) -> str:
    economy = found.machine.economy
    hours = sum(option.fitting_hours for option in found.alone if option.name in step.upgrades)
    price = money_text(step.investment, economy.currency)
    if hours > 0.0 and economy.labour_cost_per_hour is None:
        price += f" and {hours:g} h of work left out (economy.labour_cost_per_hour not given)"
    else:
        price += " in all"
    saving, names = money_text(step.saving, economy.currency), together_text(step.upgrades, letters_of(found))
    return f"{names}: {price}, saves {saving} a month more, {_back_text(step.months)}"


def _back_text(months: float) -> str:
    if months == 0.0:
        return "pays back at once"
    return f"pays back {'within' if months < A_DAY else 'in'} {months_text(months)}"


def verdict_lines(option: Option, found: Upgrades) -> list[str]:
    """When an upgrade does not pay, and why: what holds the jobs, or how often they would have to be printed."""
    economy = found.machine.economy
    held = " and ".join(f"{cause.cause} ({share_text(cause.share)})" for cause in found.causes[:SHOWN_CAUSES])
    if option.saved_share_per_month < NOTHING_SAVED and option.saving <= NOTHING_SAVED * found.cost:
        slower = option.saved_share_per_month <= -NOTHING_SAVED
        does = "makes these jobs slower" if slower else "does nothing for these jobs"
        partners = [one.name for one in found.together if option.upgrades[0] in one.upgrades]
        more = f"; it helps only together: {partners[0]}" if partners else ""
        return [f"{option.name} {does}: they are held back by {held}{more}"]
    if not is_counted(option, found):
        return [
            f"{option.name} saves {duration_text(option.saved_per_month_s)} a month; whether that pays back is unknown"
        ]
    life = f"its {economy.service_years}-year service life"
    if option.pays_from == float("inf"):
        return [f"{option.name} never pays back: it costs more to run than it saves"]
    now, least = quantity_text(sum(count for _, count in found.prints)), f"{ceil(option.pays_from):,}"
    if option.pays_within(economy.service_years):
        return [f"{option.name} pays back within {life} from {least} prints a month on ({now} now)"]
    return [
        f"{option.name} does not pay back within {life}: that takes {least} prints a month ({now} now); "
        f"these jobs are held back by {held}"
    ]


def _detail_lines(found: Upgrades) -> list[str]:
    economy, currency = found.machine.economy, found.machine.economy.currency
    missing = not_counted(found.machine)
    life = f"over the {economy.service_years}-year service life (economy.service_years)"
    lines = [f"npv and irr {life}: a year's saving counts at the end of that year"]
    if economy.discount_rate is None:
        lines.append("  npv needs a discount rate: economy.discount_rate is not given")
    else:
        lines.append(f"  npv at {economy.discount_rate:.1%} a year (economy.discount_rate)")
    left_out = f", without {', '.join(missing)} ({', '.join(found.costs_not_given)} not given)" if missing else ""
    lines.append(f"as it is, a month's prints cost {money_text(found.cost, currency)}{left_out}")
    if found.by_budget:
        lines.append("most saved for each budget:")
    lines += [
        f"  {money_text(option.investment, currency)}: {option.name} saves "
        f"{money_text(option.saving, currency)} a month"
        for option in found.by_budget
    ]
    lines.append("one print of each job, from and to:")
    for option in (*found.alone, *found.together):
        lines += [
            f"  {option.name}, {job.job}: {duration_text(job.before_s)} to {duration_text(job.after_s)}"
            for job in option.jobs
        ]
    return lines
