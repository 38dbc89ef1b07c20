"""Upgrades and orders on a live page: which upgrade pays, and what a setting brings a shop."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from kinematics.business.runs import ShopVariant
from kinematics.business.upgrades import PRINTS_PER_MONTH, upgrades_prepared
from kinematics.errors import InputError
from kinematics.page.explorer import Explorer
from kinematics.page.knobs import changed_machine
from kinematics.page.shelf import ShelfJob
from kinematics.reports import shop as shop_words
from kinematics.reports.bar_pictures import upgrades_finding
from kinematics.reports.screens import CAUTION
from kinematics.reports.upgrades import upgrade_head, upgrade_heads, upgrade_notes, upgrade_rows

THIS = "this setting"
LARGEST_COUNT = 1e6  # prints a month


def prints_a_month(explorer: Explorer, told: str) -> tuple[float, bool]:
    """How many good prints of each job a month has, and whether nobody told. Raises InputError for what is no count."""
    known = explorer.machine.economy.prints_per_month
    if not told:
        return (PRINTS_PER_MONTH, True) if known is None else (float(known), False)
    try:
        count = float(told)
    except ValueError:
        count = -1.0
    if not 0.0 < count <= LARGEST_COUNT:
        raise InputError.at("", f"{told[:20]!r} is not a number of prints a month", "a number above 0")
    return count, False


def upgrades_document(
    explorer: Explorer, jobs: Sequence[ShelfJob], settings: Mapping[str, Any], told: str
) -> dict[str, Any]:
    """What each upgrade of the machine file brings on top of a setting, and when it has paid."""
    count, assumed = prints_a_month(explorer, told)
    machine = changed_machine(explorer.machine, settings)
    found = upgrades_prepared([one.prepared for one in jobs], machine, [count] * len(jobs))
    lines = [line.strip() for line in (*upgrade_head(found, False), *upgrade_notes(found, False)) if line != CAUTION]
    assumption = [f"{count:g} prints of each job a month are assumed"] if assumed else []
    return {
        "finding": upgrades_finding(found),
        "heads": [list(head) for head in upgrade_heads(found, False)],
        "rows": [list(row) for row in upgrade_rows(found, False)],
        "notes": [*assumption, *lines],
    }


def orders_document(explorer: Explorer, settings: Mapping[str, Any]) -> dict[str, Any]:
    """Orders on their printers as they are, and with a setting on each of these."""
    book = explorer.orders
    if book is None:
        raise InputError.at("", "no orders were given", "--orders, --printers and --start")
    variants = [ShopVariant(THIS, (settings,) * len(book.printers), True)] if settings else []
    shop = book.shop(variants)
    heads, rows = shop_words.order_table(shop)
    document: dict[str, Any] = {
        "finding": shop_words.shop_head(shop)[0].strip(),
        "heads": [list(head) for head in heads],
        "rows": [list(row) for row in rows],
        "notes": [line.strip() for line in shop_words.shop_notes(shop) if line != CAUTION],
    }
    if shop.effects:
        document["effects"] = {
            "heads": [list(head) for head in shop_words.effect_heads(shop)],
            "rows": [list(row) for row in shop_words.effect_rows(shop)],
        }
    return document
