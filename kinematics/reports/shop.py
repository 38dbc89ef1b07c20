"""A simulated shop as lines and rows for a terminal. Everything shown here is in the JSON as well."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, tzinfo
from typing import TYPE_CHECKING

from kinematics.business.economics import not_counted
from kinematics.business.floor import FILLINGS, RULES
from kinematics.business.runs import (
    FULLER,
    NOTHING_HOLDS,
    ONE_PRINTER_HOLDS,
    PEOPLE_HOLD,
    SPOOLS_HOLD,
    TURNAROUNDS_HOLD,
)
from kinematics.business.staffed import NO_ZONE
from kinematics.machine.model import NOT_GIVEN
from kinematics.wording import duration_text, money_text, quantity_text, share_text

if TYPE_CHECKING:
    from kinematics.business.runs import Effect, FullerBeds, Shop
    from kinematics.business.sums import OrderSums, RuleSums, RunsInterval, Use

ORDER_HEADS = (
    ("order", False),
    ("parts", True),
    ("done", False),
    ("due", False),
    ("hours late", True),
    ("runs late", True),
)
SHOWN_COSTS = ("filament", "energy", "machine", "labour")
PRINTER_HEADS = (
    ("printer", False),
    ("printing", True),
    ("waits, nobody there", True),
    ("waits, hands busy", True),
    ("hands at work", True),
    ("idle", True),
)
EFFECT_HEADS = (
    ("change", False),
    ("prints shorter", True),
    ("parts a day", True),
    ("more", True),
    ("at most", True),
    ("hours late", True),
)
FEW_EFFECT_HEADS = (("change", False), ("prints shorter", True), ("done sooner", True), ("hours late", True))
Table = tuple[Sequence[tuple[str, bool]], list[tuple[str, ...]]]  # heads, with whether they stand right; rows
NEXT_TO_NOTHING = 0.005  # share of parts a day
A_MINUTE = 60.0  # s: less is not sooner
FEW_PARTS = 10  # fewer than that have no rate: when they are done is told instead of parts a day
SHOWN_TRIALS = 5
NEARLY = 0.5  # of what lifting the bottleneck brings, from fuller beds: they are its cure
WORTH_A_WORD = 0.02  # share of parts a day that fuller beds must bring
HELD_BY = {
    NOTHING_HOLDS: "none, orders come in no faster than they are printed",
    SPOOLS_HOLD: "spool changes",
    TURNAROUNDS_HOLD: "taking parts off and starting the next print",
}
UNATTENDED = (
    "Printers run unattended here: only as the manufacturer's instructions and local codes allow, with smoke detection "
    "and thermal cut-outs that work."
)


def moment_text(shop: Shop, moment: float) -> str:
    """A moment by the wall clock: Fri 06 Mar 14:00; with the year where it is not the one in which the shop starts."""
    told = datetime.fromtimestamp(moment, shop.zone)
    return f"{_day_text(shop, told)} {told:%H:%M}"


def _day_text(shop: Shop, day: datetime) -> str:
    return day.strftime(
        "%a %d %b" if day.year == datetime.fromtimestamp(shop.start_s, shop.zone).year else "%a %d %b %Y"
    )


def due_text(shop: Shop, due: float | None) -> str:
    """A due date: the day alone where it is the day's end; empty where there is none."""
    if due is None:
        return ""
    last = datetime.fromtimestamp(due, shop.zone)
    if (last.hour, last.minute, last.second) == (0, 0, 0):
        return _day_text(shop, datetime.fromtimestamp(due - 1.0, shop.zone))
    return moment_text(shop, due)


def iso_text(moment: float, zone: tzinfo) -> str:
    """A moment as ISO 8601, with the offset where the zone is known."""
    told = datetime.fromtimestamp(moment, zone)
    return (told.replace(tzinfo=None) if zone is NO_ZONE else told).isoformat(timespec="seconds")


def interval_text(interval: RunsInterval) -> str:
    """Mean and interval: 12.3 (11.8 to 12.9); the mean alone where all runs agree."""
    mean = quantity_text(interval.mean)
    low, high = quantity_text(interval.low), quantity_text(interval.high)
    return mean if low == high else f"{mean} ({low} to {high})"


def is_few(shop: Shop) -> bool:
    """Whether a shop has too few parts for a rate."""
    return shop.parts < FEW_PARTS


def shop_head(shop: Shop) -> list[str]:
    """The answer: parts a day, when everything is done, who prints what, and what holds the shop back."""
    done = moment_text(shop, shop.finished_s.middle)
    low, high = moment_text(shop, shop.finished_s.low), moment_text(shop, shop.finished_s.high)
    span = "" if low == high else f" ({low} to {high})"
    rate = "" if is_few(shop) else f"{interval_text(shop.parts_per_day)} parts a day; "
    printers, people = counted(len(shop.printers), "printer"), counted(shop.people, "person", "people")
    return [
        f"{rate}{counted(shop.parts, 'part')} done by {done}{span}",
        f"from {moment_text(shop, shop.start_s)}, {printers}, {people}, {_runs(shop)}",
        *rule_lines(shop),
        *filling_lines(shop),
        *bottleneck_lines(shop),
    ]


def counted(number: int, one: str, many: str = "") -> str:
    """So many of something: 1 printer, 2 printers; `many` where there is more to it than an s."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def _runs(shop: Shop) -> str:
    if shop.runs > 1:
        return f"{shop.runs} runs"
    if any(station.may_fail for station in shop.plan.stations):
        return "one run"
    told = all("failed prints" not in not_counted(printer.machine) for printer in shop.printers)
    return "one run, as no print fails" + ("" if told else " (economy.failed_share is not given)")


def rule_lines(shop: Shop) -> list[str]:
    """Who prints what, and what each rule that was tried comes to."""
    what = f"who prints what: {shop.rule}"
    results = {rule_text(shop, one) for one in shop.tried}
    if len(shop.tried) == 1:
        return [f"{what} (the other rules were not tried)"]
    if len(results) == 1:
        return [f"{what} (the other rules do no better)"]
    number = "four" if len(shop.tried) == len(RULES) else "the first"
    lines = [f"{what}, the best of {number} rules", f"  a free printer takes {RULES[shop.rule]}"]
    return lines + [f"  {one.rule}: {rule_text(shop, one)}" for one in shop.tried]


def filling_lines(shop: Shop) -> list[str]:
    """How many copies are printed at a time where orders leave it open, and what each way comes to."""
    if not shop.filled:
        return []
    results = {rule_text(shop, one) for _, one in shop.filled}
    if len(results) == 1:
        return [f"how many at a time: {shop.filling} (the other ways do no better)"]
    lines = [f"how many at a time: {shop.filling}", f"  a free printer takes {FILLINGS[shop.filling]}"]
    return lines + [f"  {filling}: {rule_text(shop, one)}" for filling, one in shop.filled]


def rule_text(shop: Shop, tried: RuleSums) -> str:
    """What a rule comes to, in words."""
    number = tried.late_orders
    late = f"{number:.2g} orders late" if number < 10.0 else f"{number:,.0f} orders late"
    late = {0.0: "no order late", 1.0: "1 order late"}.get(number, late)
    if is_few(shop):
        return f"{late}, done by {moment_text(shop, tried.finished_s)}"
    return f"{late}, {quantity_text(tried.parts_per_day)} parts a day"


def bottleneck_lines(shop: Shop) -> list[str]:
    """What holds the shop back, and by how much sooner everything is done with that lifted."""
    found = shop.bottleneck
    held = HELD_BY.get(found.what, found.what)
    if found.what == ONE_PRINTER_HOLDS:
        held = f"one printer, {found.printer}"
    elif found.what == PEOPLE_HOLD:
        waits = sum(one.nobody_there + one.hands_busy for one in shop.use)
        still = waits < sum(one.idle for one in shop.use)
        held = "people, printers stand idle without them" if still else "people, finished prints wait for them"
    if (fuller := _worth_a_word(shop)) is not None and found.what != NOTHING_HOLDS:
        brings = f"{_fuller_brings(shop, fuller)} with {fuller.filling}"
        best = max((one.more for one in found.trials if not one.name.startswith(FULLER)), default=0.0)
        cure = "fuller beds are the cure" if fuller.more.mean >= NEARLY * best else "fuller beds help"
        held += f"; {cure}: {brings}"
    tried = sorted(found.trials, key=lambda trial: -trial.sooner_s)[:SHOWN_TRIALS]
    return [f"bottleneck: {held}", *(f"  {one.name}: {_sooner(one.sooner_s)}" for one in tried)]


def _worth_a_word(shop: Shop) -> FullerBeds | None:
    """Fuller beds where they bring something; None elsewhere."""
    return shop.fuller if shop.fuller is not None and shop.fuller.more.mean > WORTH_A_WORD else None


def _fuller_brings(shop: Shop, fuller: FullerBeds) -> str:
    if is_few(shop):
        return f"everything is done {_sooner(fuller.sooner_s)}"
    return f"{share_text(fuller.more.mean)} more parts a day"


def _sooner(seconds: float) -> str:
    if abs(seconds) < A_MINUTE:
        return "no sooner"
    return f"{duration_text(abs(seconds))} {'sooner' if seconds > 0.0 else 'later'}"


def order_table(shop: Shop) -> Table:
    """When every order is done, and how late, and how many are printed at a time where that is not one; without the
    last column where none ever is late.
    """
    rows: list[tuple[str, ...]] = [
        (
            order.name,
            f"{order.quantity:,}",
            moment_text(shop, found.done_s.middle),
            due_text(shop, order.due),
            _late(found) if order.due is not None else "",
            share_text(found.late_share) if found.late_share > 0.0 else "",
        )
        for order, found in zip(shop.orders, shop.of_orders, strict=True)
    ]
    shown = len(ORDER_HEADS) if any(row[-1] for row in rows) else -1
    if all(order.copies == 1 for order in shop.orders):
        return ORDER_HEADS[:shown], [row[:shown] for row in rows]
    at_once = [str(order.copies or "auto") for order in shop.orders]
    heads = (*ORDER_HEADS[:2], ("at a time", True), *ORDER_HEADS[2:shown])
    return heads, [(*row[:2], copies, *row[2:shown]) for row, copies in zip(rows, at_once, strict=True)]


def cost_table(shop: Shop) -> Table:
    """What a part of every order costs, in the currency of the head, and what of that is not given."""
    currency = shop.printers[0].machine.economy.currency
    head = f"cost of a part, {currency}" if currency else "cost of a part"
    return ((head, False), *((part, True) for part in SHOWN_COSTS), ("in all", True)), cost_rows(shop)


def cost_rows(shop: Shop) -> list[tuple[str, ...]]:
    """Cells of every order: what a part of it costs, and what of that is not given."""
    rows: list[tuple[str, ...]] = []
    for order, found in zip(shop.orders, shop.of_orders, strict=True):
        costs = (found.filament_cost, found.energy_cost, found.machine_cost, found.labour_cost)
        parts = zip(SHOWN_COSTS, costs, strict=True)
        cells = [NOT_GIVEN if part in found.not_counted else money_text(cost, None) for part, cost in parts]
        whole = money_text(found.part_cost, None)
        if NOT_GIVEN in cells:
            whole = NOT_GIVEN if set(cells) == {NOT_GIVEN} else f"over {whole}"
        rows.append((order.name, *cells, whole))
    return rows


def _late(found: OrderSums) -> str:
    return "on time" if found.late_h.high == 0.0 else interval_text(found.late_h)


def printer_rows(shop: Shop) -> list[tuple[str, ...]]:
    """Cells of every printer: what its time is spent on."""
    return [(use.name, *(share_text(share) for share in use[1:])) for use in shop.use]


def effect_heads(shop: Shop) -> tuple[tuple[str, bool], ...]:
    """The heads of the table of changes."""
    return FEW_EFFECT_HEADS if is_few(shop) else EFFECT_HEADS


def effect_rows(shop: Shop) -> list[tuple[str, ...]]:
    """Cells of the shop as it is and of every change."""
    few = is_few(shop)
    rows: list[tuple[str, ...]] = []
    if shop.effects:
        middle = ("",) if few else (interval_text(shop.parts_per_day), "", "")
        rows.append(("as it is", "", *middle, interval_text(shop.late_h)))
    if shop.fuller is not None and shop.effects:
        rows.append(_fuller_row(shop, shop.fuller))
    for effect in shop.effects:
        low, high = share_text(effect.more.low), share_text(effect.more.high)
        span = "" if low == high else f" ({low} to {high})"
        rate = (
            interval_text(effect.parts_per_day),
            share_text(effect.more.mean) + span,
            share_text(effect.could_bring),
        )
        brings = (_sooner(effect.sooner_s).removesuffix(" sooner"),) if few else rate
        rows.append((effect.name, share_text(effect.shorter), *brings, interval_text(effect.late_h)))
    return rows


def _fuller_row(shop: Shop, fuller: FullerBeds) -> tuple[str, ...]:
    """The cells of fuller beds beside those of changes."""
    low, high = share_text(fuller.more.low), share_text(fuller.more.high)
    span = "" if low == high else f" ({low} to {high})"
    brings: tuple[str, ...] = (_sooner(fuller.sooner_s).removesuffix(" sooner"),)
    if not is_few(shop):
        brings = (interval_text(fuller.parts_per_day), share_text(fuller.more.mean) + span, "")
    return (f"{FULLER}: {fuller.filling}", "", *brings, interval_text(fuller.late_h))


def fuller_text(shop: Shop) -> list[str]:
    """What more copies at a time bring, and of which orders."""
    fuller = shop.fuller
    if fuller is None:
        return []
    if abs(fuller.more.mean) <= NEXT_TO_NOTHING and not shop.effects:
        return []
    most = [f"{order.name} {number}" for order, number in zip(shop.orders, fuller.most, strict=True) if number > 1]
    which = f"at most {', '.join(most)} at a time; the column copies plans them so"
    if fuller.more.mean < -NEXT_TO_NOTHING:
        return [f"fuller beds ({fuller.filling}) bring {share_text(-fuller.more.mean)} fewer parts a day ({which})"]
    if fuller.more.mean <= NEXT_TO_NOTHING:
        return [f"fuller beds ({fuller.filling}) bring no more parts a day ({which})"]
    return [f"fuller beds ({fuller.filling}) bring {_fuller_brings(shop, fuller)} ({which})"]


def effect_text(shop: Shop, effect: Effect) -> str:
    """One change in a sentence: what it brings, and why no more."""
    text = _few_effect_text(effect) if is_few(shop) else _effect_text(effect)
    return text if effect.rule == shop.rule else f"{text}; best with {effect.rule}"


def _few_effect_text(effect: Effect) -> str:
    when = f"everything is done {_sooner(effect.sooner_s)}"
    if effect.shorter <= NEXT_TO_NOTHING:
        return f"{effect.name}: {when}; prints take as long as before"
    if abs(effect.sooner_s) < A_MINUTE:
        return f"{effect.name} makes prints {share_text(effect.shorter)} shorter, but {when}: {_reason(effect.use)}"
    return f"{effect.name} makes prints {share_text(effect.shorter)} shorter; {when}"


def _effect_text(effect: Effect) -> str:
    brings = f"{effect.name} brings {share_text(effect.more.mean)} more parts a day"
    if effect.more.mean < -NEXT_TO_NOTHING:
        brings = f"{effect.name} brings {share_text(-effect.more.mean)} fewer parts a day"
    if effect.shorter <= NEXT_TO_NOTHING:
        return f"{brings}; prints take as long as before"
    reason = _reason(effect.use)
    if abs(effect.more.mean) <= NEXT_TO_NOTHING:
        return f"{effect.name} makes prints {share_text(effect.shorter)} shorter, but no more parts a day: {reason}"
    low, high = effect.more.low, effect.more.high
    if low < -NEXT_TO_NOTHING and high > NEXT_TO_NOTHING:
        return f"{brings}, but failed prints decide more: {share_text(low)} to {share_text(high)} from run to run"
    if effect.more.mean > 1.1 * effect.could_bring:
        return f"{brings}, though prints are only {share_text(effect.shorter)} shorter: fewer of them wait for people"
    if effect.more.mean >= 0.9 * effect.could_bring:
        return f"{brings}, all that prints {share_text(effect.shorter)} shorter can bring"
    return f"{brings}, not {share_text(effect.could_bring)}: {reason}"


def _reason(use: tuple[Use, ...]) -> str:
    """Where printers' time goes that faster prints do not shorten, the greatest part of it."""
    parts = {
        "finished prints wait while nobody is there": sum(one.nobody_there for one in use),
        "finished prints wait for busy hands": sum(one.hands_busy for one in use),
        "taking parts off and changing spools takes as long as before": sum(one.hands for one in use),
        "printers wait for people to come, or for orders": sum(one.idle for one in use),
    }
    reason = max(parts, key=lambda words: parts[words])
    return f"{reason} ({share_text(parts[reason] / len(use))} of the printers' time)"


def shop_notes(shop: Shop) -> list[str]:
    """What stands under the tables: changes in words, odd orders, and the caution on unattended running."""
    lines = [effect_text(shop, effect) for effect in shop.effects]
    lines += fuller_text(shop)
    lines += [str(finding) for finding in shop.doubtful]
    if any(order.job is None for order in shop.orders) and shop.effects:
        lines.append("orders given in hours take as long under every change; orders with a job are timed anew")
    if any(order.seconds is not None and order.grams is None for order in shop.orders):
        lines.append("to count the filament of orders given in hours, fill in filament_g")
    missing = dict.fromkeys(
        key
        for printer in shop.printers
        for part, keys in not_counted(printer.machine).items()
        for key in keys
        if part != "failed prints"
    )
    if missing:
        lines.append(f"not given for every printer: {', '.join(missing)}")
    if any(printer.machine.economy.staffed is None for printer in shop.printers):
        lines.append("no staffed hours are given for some printer (economy.staffed), so somebody is there at all hours")
    if any(printer.machine.economy.unattended for printer in shop.printers):
        lines.append(UNATTENDED)
    return lines
