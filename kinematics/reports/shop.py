"""A simulated shop as lines and rows for a terminal. Everything shown here is in the JSON as well."""

from __future__ import annotations

from datetime import datetime, tzinfo
from typing import TYPE_CHECKING

from kinematics.studies.economics import costs_not_given
from kinematics.studies.shop import HANDS_HOLD, NOTHING_HOLDS, ONE_MACHINE_HOLDS
from kinematics.studies.staffed import NO_ZONE
from kinematics.wording import money_text, quantity_text, share_text

if TYPE_CHECKING:
    from kinematics.studies.shop import Effect, Shop
    from kinematics.studies.shop_sums import Interval, OrderSums, Use

ORDER_HEADS = (
    ("order", False),
    ("parts", True),
    ("done", False),
    ("due", False),
    ("hours late", True),
    ("late in", True),
    ("filament", True),
    ("energy", True),
    ("part costs", True),
)
PRINTER_HEADS = (
    ("printer", False),
    ("printing", True),
    ("waits, nobody there", True),
    ("waits, hands busy", True),
    ("hands at work", True),
    ("nothing to print", True),
)
EFFECT_HEADS = (
    ("change", False),
    ("prints shorter by", True),
    ("parts a day", True),
    ("more", True),
    ("could be", True),
    ("hours late", True),
)
NEXT_TO_NOTHING = 0.005  # share of parts a day
UNATTENDED = (
    "Printers run unattended here: only as their makers' instructions and local codes allow, with smoke detection and "
    "thermal cut-outs that work."
)


def moment_text(moment: float, zone: tzinfo) -> str:
    """A moment by the wall clock: Fri 06 Mar 14:00."""
    return datetime.fromtimestamp(moment, zone).strftime("%a %d %b %H:%M")


def due_text(due: float | None, zone: tzinfo) -> str:
    """A due date: the day alone where it is the day's end; empty where there is none."""
    if due is None:
        return ""
    last = datetime.fromtimestamp(due, zone)
    if (last.hour, last.minute, last.second) == (0, 0, 0):
        return datetime.fromtimestamp(due - 1.0, zone).strftime("%a %d %b")
    return moment_text(due, zone)


def iso_text(moment: float, zone: tzinfo) -> str:
    """A moment as ISO 8601, with the offset where the zone is known."""
    told = datetime.fromtimestamp(moment, zone)
    return (told.replace(tzinfo=None) if zone is NO_ZONE else told).isoformat(timespec="seconds")


def interval_text(interval: Interval) -> str:
    """Mean and interval: 12.3 (11.8 to 12.9); the mean alone where all runs agree."""
    mean = quantity_text(interval.mean)
    low, high = quantity_text(interval.low), quantity_text(interval.high)
    return mean if low == high else f"{mean} ({low} to {high})"


def shop_head(shop: Shop) -> list[str]:
    """The answer in two lines: parts a day, when everything is done, and what holds the shop back."""
    people = f"{shop.people} {'person' if shop.people == 1 else 'people'}"
    runs = f"{shop.runs} runs" if shop.runs > 1 else "one run, nothing is left to chance"
    done = moment_text(shop.finished.middle, shop.zone)
    low, high = moment_text(shop.finished.low, shop.zone), moment_text(shop.finished.high, shop.zone)
    span = "" if low == high else f" ({low} to {high})"
    return [
        f"{interval_text(shop.parts_per_day)} parts a day; {shop.parts} parts done by {done}{span}",
        f"from {moment_text(shop.start, shop.zone)}, {len(shop.printers)} printers, {people}, {runs}",
        bottleneck_text(shop),
    ]


def bottleneck_text(shop: Shop) -> str:
    """What holds the shop back, and what lifting it would bring."""
    trials = "; ".join(f"{trial.name}: {trial.more:+.0%}" for trial in shop.bottleneck.trials)
    tried = f" (parts a day with {trials})"
    what = shop.bottleneck.what
    if what == NOTHING_HOLDS:
        return f"bottleneck: none, orders come in no faster than they are printed{tried}"
    if what == HANDS_HOLD:
        return f"bottleneck: hands, finished prints wait for people{tried}"
    if what == ONE_MACHINE_HOLDS:
        return f"bottleneck: one machine, {shop.bottleneck.printer}{tried}"
    return f"bottleneck: printing{tried}"


def order_rows(shop: Shop) -> list[tuple[str, ...]]:
    """Cells of every order."""
    rows: list[tuple[str, ...]] = []
    for order, found in zip(shop.orders, shop.of_orders, strict=True):
        currency = shop.printers[0].machine.economy.currency
        rows.append(
            (
                order.name,
                f"{order.quantity:,}",
                moment_text(found.done.middle, shop.zone),
                due_text(order.due, shop.zone),
                _late(found) if order.due is not None else "",
                share_text(found.late_share) if order.due is not None else "",
                money_text(found.filament_cost, currency),
                money_text(found.energy_cost, currency),
                money_text(found.part_cost, currency),
            )
        )
    return rows


def _late(found: OrderSums) -> str:
    return "in time" if found.late.high == 0.0 else interval_text(found.late)


def printer_rows(shop: Shop) -> list[tuple[str, ...]]:
    """Cells of every printer: what its time is spent on."""
    return [(use.name, *(share_text(share) for share in use[1:])) for use in shop.use]


def effect_rows(shop: Shop) -> list[tuple[str, ...]]:
    """Cells of the shop as it is and of every change."""
    rows: list[tuple[str, ...]] = []
    if shop.effects:
        rows.append(("as it is", "", interval_text(shop.parts_per_day), "", "", interval_text(shop.late)))
    for effect in shop.effects:
        low, high = share_text(effect.more.low), share_text(effect.more.high)
        span = "" if low == high else f" ({low} to {high})"
        rows.append(
            (
                effect.name,
                share_text(effect.shorter),
                interval_text(effect.parts_per_day),
                share_text(effect.more.mean) + span,
                share_text(effect.could_bring),
                interval_text(effect.late),
            )
        )
    return rows


def effect_text(effect: Effect) -> str:
    """One change in a sentence: what it brings, and why no more."""
    brings = f"{effect.name} brings {share_text(effect.more.mean)} more parts a day"
    if effect.more.mean < -NEXT_TO_NOTHING:
        brings = f"{effect.name} brings {share_text(-effect.more.mean)} fewer parts a day"
    if effect.shorter <= NEXT_TO_NOTHING:
        return f"{brings}; prints take as long as before"
    reason = _reason(effect.use)
    if abs(effect.more.mean) <= NEXT_TO_NOTHING:
        return (
            f"{effect.name} makes prints {share_text(effect.shorter)} shorter and brings no more parts a day: {reason}"
        )
    if effect.more.mean >= 0.9 * effect.could_bring:
        return f"{brings}, all that prints {share_text(effect.shorter)} shorter can bring"
    return f"{brings}, not {share_text(effect.could_bring)}: {reason}"


def _reason(use: tuple[Use, ...]) -> str:
    """Where printers' time goes that faster prints do not shorten, the greatest part of it."""
    parts = {
        "people are the bottleneck, prints that end while nobody is there wait": sum(one.nobody_there for one in use),
        "people are the bottleneck, finished prints wait for busy hands": sum(one.hands_busy for one in use),
        "taking parts off and changing spools takes as long as before": sum(one.hands for one in use),
        "printers wait for people to come, or for orders that they can print": sum(one.idle for one in use),
    }
    reason = max(parts, key=lambda words: parts[words])
    return f"{reason} ({share_text(parts[reason] / len(use))} of the printers' time)"


def shop_notes(shop: Shop) -> list[str]:
    """What stands under the tables: changes in words, odd orders, and the caution on unattended running."""
    lines = [effect_text(effect) for effect in shop.effects]
    lines += [str(finding) for finding in shop.doubtful]
    if any(order.job is None for order in shop.orders) and shop.effects:
        lines.append("orders given in hours take as long under every change; those with a job are timed")
    if any(order.seconds is not None and order.grams is None for order in shop.orders):
        lines.append("orders given in hours without filament_g: their filament is not counted")
    missing = dict.fromkeys(key for printer in shop.printers for key in costs_not_given(printer.machine))
    if missing:
        lines.append(f"not given for some printer, so counted as nothing: {', '.join(missing)}")
    if any(printer.machine.economy.staffed is None for printer in shop.printers):
        lines.append("economy.staffed is not given for some printer: people are taken to be there at all hours")
    if any(printer.machine.economy.unattended for printer in shop.printers):
        lines.append(UNATTENDED)
    return lines
