"""`kinematics shop`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import click

from kinematics.cli.options import (
    AS_JSON,
    JobOptions,
    check_picture,
    gathered,
    jobs_by_path,
    picture_option,
    write_picture,
)
from kinematics.errors import EXIT_ANSWER_IS_NO

if TYPE_CHECKING:
    from datetime import tzinfo

    from kinematics.business.runs import OrderBook, Shop, ShopVariant
    from kinematics.business.tables import Printer

MOST_TOLD = 10  # rows that were left out


@click.command("shop")
@gathered
@click.argument("orders_file", metavar="ORDERS.csv")
@click.option("--printers", "printers_file", required=True, metavar="PRINTERS.csv", help="The printers, one a row.")
@click.option("--start", metavar="WHEN", help='When the shop starts: 2026-03-02 or "2026-03-02 08:00" (default: now).')
@click.option("--people", type=click.IntRange(1, 1000), default=1, help="How many people there are (default: 1).")
@click.option(
    "--candidate",
    "candidate_texts",
    multiple=True,
    metavar='"NAME: KEY=VALUE, …"',
    help="A change of all machines to try in the shop.",
)
@click.option("--upgrade", "upgrades", multiple=True, metavar="NAME", help="An [[upgrade]] of machine files to try.")
@click.option("--set", "settings", multiple=True, metavar="KEY=VALUE", help="Change one key of every machine.")
@click.option("--runs", type=click.IntRange(1, 10_000), default=20, help="How many runs (default: 20).")
@click.option("--seed", type=click.IntRange(0), default=0, help="Another seed, other failures (default: 0).")
@picture_option("the first run", "--gantt")
@click.option("--force", is_flag=True, help="Overwrite the file of --gantt.")
@click.option("--dialect", default="extrusion", metavar="NAME|FILE", help="extrusion (default), rs274, or a table.")
@click.option(
    "--file-limits",
    type=click.Choice(["honour", "ignore", "cap"]),
    default="honour",
    help="What limits stated in the jobs do (default: honour).",
)
@click.option(
    "--spacing",
    type=click.FloatRange(0.0, 1000.0),
    default=JobOptions.spacing,
    metavar="MM",
    help="Room between two copies on a bed (default: 8 mm).",
)
@AS_JSON
def command(
    asked: JobOptions,
    orders_file: str,
    printers_file: str,
    start: str | None,
    people: int,
    candidate_texts: tuple[str, ...],
    upgrades: tuple[str, ...],
    runs: int,
) -> None:
    """How many parts a day, and by when?

    ORDERS.csv holds order, job or hours, quantity, due, class, material, copies (how many at a time, or auto);
    PRINTERS.csv name, machine, class, materials, free_from. Who prints what is told by the best of four rules, and the
    answer says which. Status 1 where some rows could not be planned.
    """
    from kinematics.business.tables import read_orders, read_printers
    from kinematics.cli import console

    check_picture(asked, (orders_file, printers_file), "--gantt")
    printers, left_out, zone = read_printers(printers_file, asked.settings)
    orders, findings = read_orders(orders_file, zone)
    left_out += findings
    begins = start_of(start, zone)
    variants = variants_of(candidate_texts, upgrades, printers)
    paths = [order.job for order in orders if order.job is not None]
    inputs = [orders_file, printers_file, asked.dialect, *paths, *(one.machine.source for one in printers)]
    check_picture(asked, inputs, "--gantt")
    jobs = jobs_by_path(asked, paths)
    from kinematics.business.plan import Clock
    from kinematics.business.runs import shop_of

    clock = Clock(jobs, asked.copying)
    with console.shared_progress("simulating the shop", console.KEEPS) as (tell, hear):
        shop = shop_of(orders, printers, clock, begins, zone, variants, people, asked.seed, runs, left_out, tell, hear)
    if paths:
        from kinematics import compiled

        compiled.mark_warm()
    if asked.as_json:
        from kinematics.reports.documents import shop_document

        console.say_json(shop_document(shop))
    else:
        _show(shop)
    for finding in shop.cannot[:MOST_TOLD]:
        console.remark(f"left out: {finding}")
    if len(shop.cannot) > MOST_TOLD:
        console.remark(f"left out: {len(shop.cannot) - MOST_TOLD:,} more (all of them with --json)")
    write_picture(asked, shop, read=inputs)
    if shop.cut_short:
        runs_done = f"{shop.runs:,} run{'s' if shop.runs != 1 else ''}"
        console.end_interrupted(f"this is what was done by then, with {runs_done} of each rule tried")
    if shop.cannot:
        raise click.exceptions.Exit(EXIT_ANSWER_IS_NO)


def _show(shop: Shop) -> None:
    from kinematics.cli import console
    from kinematics.reports import shop as words

    tables = [words.order_table(shop), words.cost_table(shop), (words.PRINTER_HEADS, words.printer_rows(shop))]
    if shop.effects:
        tables.append((words.effect_heads(shop), words.effect_rows(shop)))
    shown = [console.Table(*table) for table in tables]
    console.say_answer(words.shop_head(shop), *shown, words.shop_notes(shop))


def order_book(asked: JobOptions, orders_file: str, printers_file: str, start: str) -> OrderBook:
    """Orders, printers and the clock of their jobs, as the tables have them. Raises InputError where they cannot be
    read.
    """
    from kinematics.business.plan import Clock
    from kinematics.business.runs import OrderBook
    from kinematics.business.tables import read_orders, read_printers

    found, left_out, zone = read_printers(printers_file)
    wanted, more = read_orders(orders_file, zone)
    jobs = jobs_by_path(replace(asked, block_delete=False), [order.job for order in wanted if order.job is not None])
    return OrderBook(wanted, found, Clock(jobs), start_of(start, zone), zone, [*left_out, *more])


def start_of(text: str | None, zone: tzinfo) -> float:
    """The moment at which the shop starts (s since 1970): what is told, or now by the wall clock."""
    from datetime import datetime

    from kinematics.business.staffed import NO_ZONE
    from kinematics.business.tables import MOMENT_ALLOWED, moment_of
    from kinematics.errors import InputError

    if text is None:
        now = datetime.now(None if zone is NO_ZONE else zone).replace(second=0, microsecond=0)
        return now.replace(tzinfo=zone).timestamp()
    try:
        return moment_of(text, zone)
    except ValueError:
        raise InputError.at("--start", f"{text!r} is not a date", MOMENT_ALLOWED) from None


def variants_of(
    candidate_texts: Sequence[str], upgrade_names: Sequence[str], printers: Sequence[Printer]
) -> list[ShopVariant]:
    """What is to be tried: candidates on every machine, upgrades on those whose files hold them. Raises InputError."""
    from kinematics.business.runs import ShopVariant
    from kinematics.errors import InputError, nearest
    from kinematics.machine import candidate_from

    variants = []
    for text in candidate_texts:
        candidate = candidate_from(text)
        variants.append(ShopVariant(candidate.name, (candidate.set,) * len(printers), True))
    known = list(dict.fromkeys(one.name for printer in printers for one in printer.machine.upgrades))
    for name in upgrade_names:
        if name not in known:
            allowed = ", ".join(known) or "an [[upgrade]] of one of the machine files"
            raise InputError.at("--upgrade", f"no machine has an upgrade {name!r}", allowed, nearest(name, known))
        found = [{one.name: one.set for one in printer.machine.upgrades}.get(name, {}) for printer in printers]
        variants.append(ShopVariant(name, tuple(found), False))
    return variants
