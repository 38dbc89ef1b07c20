"""The sections of a report on money and orders: question, answer, table, assumptions, what is not known."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from kinematics.business.economics import not_counted
from kinematics.reports import bedful_screen as words
from kinematics.reports import shop as shop_words
from kinematics.reports.bar_pictures import upgrades_finding
from kinematics.reports.page import Illustration, PagePart, PageTable
from kinematics.reports.screens import CAUTION
from kinematics.reports.sections import picture
from kinematics.reports.shop_pictures import PARTS_HEIGHT, SHOP_WIDTH, draw_bedful, draw_shop, height_of_gantt
from kinematics.reports.style import DrawingLook, Headline
from kinematics.reports.upgrades import upgrade_head, upgrade_heads, upgrade_notes, upgrade_rows

if TYPE_CHECKING:
    from kinematics.business.bedful import Bedful, Bedfuls
    from kinematics.business.runs import Shop
    from kinematics.business.upgrades import Upgrades

QUESTION, ANSWER = "Question", "Answer"


def upgrades_section(found: Upgrades, assumed: bool) -> PagePart:
    """Which upgrade pays, as a committee wants it told."""
    lines = [line.strip() for line in upgrade_notes(found, True) if line != CAUTION]
    missing = [f"{part}: {', '.join(keys)} not given" for part, keys in not_counted(found.machine).items()]
    tables = [
        PageTable("each upgrade, alone and together", upgrade_heads(found, True), upgrade_rows(found, True)),
        PageTable("what is assumed", (("", False),), [(line.strip(),) for line in upgrade_head(found, assumed)]),
        PageTable(
            "what is not known", (("", False),), [(line,) for line in missing or ("nothing that costs hang on",)]
        ),
    ]
    lead = (
        f"{QUESTION}: which upgrade of {found.machine.name} is worth its money, and when has it paid?",
        f"{ANSWER}: {upgrades_finding(found)}.",
    )
    return PagePart("upgrades", "Is an upgrade worth it", lead, (picture("upgrades", found),), tables, lines)


def bedful_section(found: Bedfuls) -> PagePart:
    """How many on the bed at a time."""
    figures, tables, lead, notes = [], [], [], []
    for number, one in enumerate(found.jobs, 1):

        def draw(axes: Any, look: DrawingLook, one: Bedful = one) -> Headline:
            return draw_bedful(axes, look, one)

        figures.append(Illustration(f"bedful-{number}", draw, PARTS_HEIGHT, (2, 1), (2.0, 1.0)))
        tables.append(PageTable(f"copies of {one.job}", words.bedful_heads(one), words.bedful_rows(one)))
        lead += [line.strip() for line in words.bedful_head(one)]
        notes += [line.strip() for line in words.bedful_notes(one) if line != CAUTION]
    return PagePart("bedful", "How many on the bed at a time", lead, figures, tables, notes)


def shop_section(shop: Shop) -> PagePart:
    """How many parts a day and by when, as a committee wants it told."""
    head = shop_words.shop_head(shop)
    tables = [
        PageTable("orders", *shop_words.order_table(shop)),
        PageTable("what a part costs", *shop_words.cost_table(shop)),
        PageTable("printers", shop_words.PRINTER_HEADS, shop_words.printer_rows(shop)),
    ]
    if shop.effects:
        tables.append(PageTable("what changes bring", shop_words.effect_heads(shop), shop_words.effect_rows(shop)))
    left_out = [f"left out: {finding}" for finding in shop.cannot]
    figure = Illustration(
        "shop", lambda axes, look: draw_shop(axes, look, shop), height_of_gantt(shop), width=SHOP_WIDTH
    )
    lead = (
        f"{QUESTION}: how many parts a day, and by when?",
        f"{ANSWER}: {head[0].strip()}.",
        *(line.strip() for line in head[1:]),
    )
    notes = [*(line.strip() for line in shop_words.shop_notes(shop)), *left_out]
    return PagePart("shop", "How many parts a day", lead, (figure,), tables, notes)
