"""A shop's tables brought together, simulated, and what changes bring; every wrong row named with its line."""

from __future__ import annotations

import math
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from kinematics.business.plan import Clock
from kinematics.business.runs import Shop, ShopVariant, shop_of
from kinematics.business.tables import moment_of, read_orders, read_printers
from kinematics.errors import InputError
from kinematics.jobs.prepared import PreparedJob
from kinematics.reports.shop import (
    cost_rows,
    cost_table,
    effect_rows,
    effect_text,
    order_table,
    rule_text,
    shop_head,
    shop_notes,
)
from kinematics.reports.shop_pictures import LOOKS, gantt_figure, paint_of
from kinematics.reports.style import LIGHT, save

VIENNA = ZoneInfo("Europe/Vienna")
BENCH = """\
[machine]
name = "Bench"
bed_mm = [200, 200, 200]
[filament]
price_per_kg = 20.0
density_g_cm3 = 1.25
[economy]
staffed = ["Mon-Fri 08:00-16:00"]
time_zone = "Europe/Vienna"
unattended = true
turnaround_min = 6.0
machine_cost_per_hour = 0.5
labour_cost_per_hour = 20.0
power_w = 100.0
price_per_kwh = 0.3
[[material]]
name = "black"
set = { "filament.price_per_kg" = 40.0 }
"""
PRINTERS = "name,machine,class,materials,free_from\n"
ORDERS = "order,job,hours,quantity,due,class,material,filament_g\n"
MONDAY = "2026-03-02 08:00"


def at(text: str) -> float:
    """A moment by the clock on the wall in Vienna."""
    return datetime.fromisoformat(text).replace(tzinfo=VIENNA).timestamp()


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a machine file, and two jobs: a line of 100 mm and one far too long."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bench.toml").write_text(BENCH)
    (tmp_path / "line.gcode").write_text("G1 X100 E5 F60\nG1 X0 E10\n")
    (tmp_path / "long.gcode").write_text("G1 X300 E5 F3000\nG1 Y10 E6\n")
    return tmp_path


def shop_from(
    printers: str, orders: str, *variants: ShopVariant, people: int = 1, settings: tuple[str, ...] = (), runs: int = 20
) -> Shop:
    """The shop of two tables' rows, from Monday morning on."""
    Path("printers.csv").write_text(PRINTERS + printers)
    Path("orders.csv").write_text(ORDERS + orders)
    found, wrong, zone = read_printers("printers.csv", settings)
    wanted, more = read_orders("orders.csv", zone)
    assert not wrong + more
    paths = {order.job for order in wanted if order.job is not None}
    clock = Clock({path: PreparedJob(path) for path in paths})
    return shop_of(wanted, found, clock, at(MONDAY), zone, variants, people, runs=runs)


def test_a_week_by_hand(folder: Path) -> None:
    shop = shop_from("one,bench.toml,,,\n", "stays,,7,3,2026-03-02,,,50\n")
    # Monday 15:06, then over night until eight, then 15:12 on Tuesday.
    assert shop.finished_s == (at("2026-03-03 15:12"),) * 3
    assert shop.parts_per_day.mean == pytest.approx(3 / (31.2 / 24))
    (use,) = shop.use
    assert use.printing == pytest.approx(21 / 31.2)
    assert use.nobody_there == pytest.approx((10 - 0.1) / 31.2)
    assert use.hands == pytest.approx(0.3 / 31.2)
    assert use.hands_busy == pytest.approx(0.0, abs=1e-12)
    assert use.idle == pytest.approx(0.0, abs=1e-9)
    (order,) = shop.of_orders
    assert order.late_h.mean == pytest.approx(15.2)  # due at the end of Monday
    assert order.late_share == 1.0
    assert shop.late_h == order.late_h
    assert shop.runs == 1
    # A part: 7 h of .5, .7 kWh of .3, 50 g of 20 a kilogram, a tenth of an hour of 20.
    assert order.machine_cost == pytest.approx(3.5)
    assert order.energy_kwh == pytest.approx(0.7)
    assert order.energy_cost == pytest.approx(0.21)
    assert order.filament_cost == pytest.approx(1.0)
    assert order.labour_cost == pytest.approx(2.0)
    assert order.part_cost == pytest.approx(6.71)


def test_a_job_is_timed_on_its_printer_with_its_material(folder: Path) -> None:
    shop = shop_from("one,bench.toml,,black;white,\n", "a,line.gcode,,1,,,Black,\nb,line.gcode,,1,,,white,\n")
    seconds = [wanted.seconds[0] for wanted in shop.plan.wanted]
    assert seconds == pytest.approx([200.0, 200.0], abs=0.1)
    black, white = shop.of_orders
    grams = 10 * math.pi * 1.75**2 / 4 * 1.25 / 1000
    assert black.filament_cost == pytest.approx(grams * 0.040)
    assert white.filament_cost == pytest.approx(grams * 0.020)


def test_hands_are_the_bottleneck_and_faster_prints_bring_nothing(folder: Path) -> None:
    fast = ShopVariant("brisk", ({"motion.feed_override": 1.5},), True)
    # Fourteen hours on the printer, or nine: the next morning either way.
    (folder / "night.gcode").write_text("G1 X100 E5 F60\n" + "G1 X0 E10\nG1 X100 E5\n" * 252)
    shop = shop_from("one,bench.toml,,,\n", "a,night.gcode,,12,,,,\n", fast)
    (effect,) = shop.effects
    assert effect.shorter == pytest.approx(1 / 3, abs=1e-3)
    assert effect.could_bring == pytest.approx(0.5, abs=2e-3)
    assert effect.more.mean == pytest.approx(0.0, abs=1e-9)
    assert effect_text(shop, effect).startswith(
        "brisk makes prints 33% shorter, but no more parts a day: finished prints wait while nobody is there ("
    )
    assert shop.bottleneck.what == "people"
    (held,) = [line for line in shop_head(shop) if line.startswith("bottleneck: ")]
    assert held.startswith("bottleneck: people, finished prints wait for them; fuller beds are the cure: ")
    around = shop_from(
        "one,bench.toml,,,\n", "a,night.gcode,,12,,,,\n", fast, settings=("economy.staffed=Mon-Sun 00:00-24:00",)
    )
    assert around.effects[0].more.mean == pytest.approx(0.5, abs=0.02)
    assert around.bottleneck.what == "printing"
    assert "all that prints 33% shorter can bring" in effect_text(around, around.effects[0])


def test_one_machine_may_be_the_bottleneck(folder: Path) -> None:
    shop = shop_from(
        "one,bench.toml,,black,\ntwo,bench.toml,,white,\n",
        "a,,3,20,,,black,\nb,,1,2,,,white,\n",
        people=2, settings=("economy.staffed=Mon-Sun 00:00-24:00",),
    )  # fmt: skip
    assert (shop.bottleneck.what, shop.bottleneck.printer) == ("printer", "one")
    assert "bottleneck: one printer, one" in shop_head(shop)


def test_spool_changes_may_be_the_bottleneck(folder: Path) -> None:
    # A print of an hour and a change of two, each time: changes take two thirds of the time.
    settings = ("economy.spool_change_min=120", "economy.spool_g=100", "economy.staffed=Mon-Sun 00:00-24:00")
    shop = shop_from("one,bench.toml,,,\n", "a,,1,12,,,,80\n", settings=(*settings, "economy.turnaround_min=0"))
    assert shop.bottleneck.what == "spool changes"
    # 12 h of prints and 11 changes: a third off either is 4 h, or 7 h 20 min.
    sooner = {trial.name: trial.sooner_s / 3600 for trial in shop.bottleneck.trials}
    assert sooner == pytest.approx(
        {"prints a third shorter": 4.0, "spool changes a third quicker": 22 / 3, "people at all hours": 0.0}, abs=1e-6
    )
    assert shop_head(shop)[3:5] == ["bottleneck: spool changes", "  spool changes a third quicker: 7 h 20 min sooner"]


def test_taking_parts_off_may_be_the_bottleneck(folder: Path) -> None:
    settings = ("economy.turnaround_min=60", "economy.staffed=Mon-Sun 00:00-24:00")
    shop = shop_from("one,bench.toml,,,\n", "a,,0.5,12,,,,\n", settings=settings)
    assert shop.bottleneck.what == "taking parts off"
    assert "bottleneck: taking parts off and starting the next print" in shop_head(shop)


def test_one_order_is_told_by_when_and_not_by_parts_a_day(folder: Path) -> None:
    # Friday's eight and a half hours wait for Monday; seven hours and a half do not.
    friday = ("economy.staffed=Fri 08:00-16:00",)
    brisk = ShopVariant("brisk", ({"motion.feed_override": 1.2},), True)
    (folder / "day.gcode").write_text("G1 X100 E5 F60\n" + "G1 X0 E10\nG1 X100 E5\n" * 153)
    shop = shop_from("one,bench.toml,,,\n", "a,day.gcode,,1,,,,\n", brisk, settings=friday)
    assert shop_head(shop)[0] == "1 part done by Fri 13 Mar 08:06"
    assert shop_head(shop)[1] == (
        "from Mon 02 Mar 08:00, 1 printer, 1 person, one run, as no print fails (economy.failed_share is not given)"
    )
    (effect,) = shop.effects
    assert effect_text(shop, effect).startswith("brisk makes prints 17% shorter; everything is done 6 d 17 h sooner")
    assert effect_rows(shop)[1][2].startswith("6 d 17 h")
    told = "\n".join([*shop_head(shop), *shop_notes(shop), *map("\t".join, effect_rows(shop))])
    assert "parts a day" not in told


def test_the_best_rule_is_taken_and_said(folder: Path) -> None:
    # Ten hours kept for closing and five of an hour and a half, as in the hand case of the rules; twelve pieces.
    shop = shop_from("one,bench.toml,,,\n", "long,,10,2,,,,\nshort,,1.4,10,,,,\n")
    assert shop.rule == "long prints at closing"
    # Monday and Tuesday five of 1.4 h and 6 min, and at 15:30 a long one: taken off on Wednesday at 8:06.
    assert shop.finished_s.middle == at("2026-03-04 08:06")
    head = shop_head(shop)
    assert head[2] == "who prints what: long prints at closing, the best of four rules"
    assert "  long prints at closing: no order late, 5.99 parts a day" in head
    told = [rule_text(shop, shop.tried[0]._replace(late_orders=late)) for late in (0.0, 0.05, 1.0, 2.0, 380.0)]
    assert [text.partition(",")[0] for text in told] == [
        "no order late", "0.05 orders late", "1 order late", "2 orders late", "380 orders late",
    ]  # fmt: skip
    alike = shop_from("one,bench.toml,,,\n", "a,,1,1,,,,\n")
    assert shop_head(alike)[2] == "who prints what: due date first (the other rules do no better)"


def test_what_is_not_counted_stands_beside_the_cost(folder: Path) -> None:
    shop = shop_from("one,bench.toml,,,\n", "a,,7,1,,,,\n", settings=("economy.power_w=100",))
    # Half an hour's worth: 3.50 of machine, .21 of energy, 2.00 of labour; the filament is not told.
    assert cost_rows(shop) == [("a", "not given", "0.21", "3.50", "2.00", "over 5.71")]
    assert shop.of_orders[0].not_counted == ("failed prints", "filament")
    euros = shop_from("one,bench.toml,,,\n", "a,,7,1,,,,50\n", settings=("economy.currency=EUR",))
    heads, rows = cost_table(euros)
    assert [head for head, _ in heads] == ["cost of a part, EUR", "filament", "energy", "machine", "labour", "in all"]
    assert rows == [("a", "1.00", "0.21", "3.50", "2.00", "6.71")]
    Path("printers.csv").write_text(PRINTERS + "one,quick,,,\n")
    Path("orders.csv").write_text(ORDERS + "a,,7,1,,,,50\n")
    printers, _, zone = read_printers("printers.csv")
    orders, _ = read_orders("orders.csv", zone)
    bare = shop_of(orders, printers, Clock({}), at(MONDAY), zone)
    assert cost_rows(bare) == [("a", "not given", "not given", "not given", "not given", "not given")]
    assert any("no staffed hours are given" in line for line in shop_notes(bare))


def test_a_shop_that_waits_for_orders_has_no_bottleneck(folder: Path) -> None:
    Path("printers.csv").write_text(PRINTERS + "one,bench.toml,,,\n")
    Path("orders.csv").write_text("order,hours,arrives\na,1,\nb,1,2026-03-06 12:00\n")
    printers, _, zone = read_printers("printers.csv")
    orders, _ = read_orders("orders.csv", zone)
    shop = shop_of(orders, printers, Clock({}), at(MONDAY), zone)
    assert shop.finished_s.middle == at("2026-03-06 13:06")
    assert shop.bottleneck.what == "nothing"


def test_failures_give_intervals_and_the_same_seed_the_same_shop(folder: Path) -> None:
    failing = ("economy.failed_share=0.3",)
    shop = shop_from("one,bench.toml,,,\n", "a,,3,10,2026-03-04,,,\n", settings=failing)
    assert shop.runs == 20
    assert shop.parts_per_day.low < shop.parts_per_day.mean < shop.parts_per_day.high
    assert shop.of_orders[0].late_h.low <= shop.of_orders[0].late_h.mean <= shop.of_orders[0].late_h.high
    assert 0.0 < shop.of_orders[0].late_share <= 1.0
    again = shop_from("one,bench.toml,,,\n", "a,,3,10,2026-03-04,,,\n", settings=failing)
    assert (again.parts_per_day, again.of_orders) == (shop.parts_per_day, shop.of_orders)
    assert "20 runs" in shop_head(shop)[1]


def test_what_nobody_can_print_is_named_and_the_rest_is_planned(folder: Path) -> None:
    (folder / "empty.gcode").write_text("; nothing\n")
    shop = shop_from(
        "one,bench.toml,small,black;white,\n",
        "good,,1,1,,small,white,\n"
        "blue,,1,1,,,blue,\n"
        "huge,long.gcode,,1,,,black,\n"
        "class,,1,1,,smal,,\n"
        "gone,missing.gcode,,1,,,,\n"
        "past,,1,1,2026-02-27,,,\n"
        "empty,empty.gcode,,1,,,,\n",
    )
    assert [order.name for order in shop.orders] == ["good", "past"]
    told = [str(one) for one in shop.cannot]
    assert told[0] == (
        "orders.csv:3: blue: no printer has the material 'blue'; allowed: black, white (did you mean 'black'?)"
    ) or told[0].startswith("orders.csv:3: blue: no printer has the material 'blue'; allowed: black, white")
    assert told[1].startswith(
        "orders.csv:4: huge: long.gcode takes 300 × 10 × 0 mm: too large for every bed; allowed: 200"
    )
    assert told[2] == "orders.csv:5: class: no printer is of class 'smal'; allowed: small (did you mean 'small'?)"
    assert told[3].startswith("orders.csv:6: gone: missing.gcode: no such file")
    assert told[4].startswith("orders.csv:8: empty: empty.gcode")
    assert [one.place for one in shop.doubtful] == ["orders.csv:7"]
    assert any("was due before the shop starts" in line for line in shop_notes(shop))


def test_without_unattended_running_a_print_must_end_by_closing(folder: Path) -> None:
    attended = ("economy.unattended=false",)
    shop = shop_from("one,bench.toml,,,\n", "day,,7,2,,,,\nnight,,8,1,,,,\n", settings=attended)
    assert shop.finished_s.middle == at("2026-03-03 15:06")
    assert "night: a print takes 8.1 h with its turnaround, longer than anybody is there" in str(shop.cannot[0])
    assert not any("unattended" in line for line in shop_notes(shop))
    with pytest.raises(InputError, match=r"orders\.csv:2: night: a print takes"):
        shop_from("one,bench.toml,,,\n", "night,,8,1,,,,\n", settings=attended)


BAD_ORDERS = [
    (",,1,-2,,,,", "quantity is '-2'; allowed: a whole number from 1 to 100,000"),
    (",,1,1.5,,,,", "quantity is '1.5'"),
    (",,0,1,,,,", "hours is '0'; allowed: a number above 0"),
    (",,nan,1,,,,", "hours is 'nan'"),
    (",,1,1,06.03.2026,,,", "due is '06.03.2026'; allowed: a date or a date and time"),
    (",,,1,,,,", "neither a job nor hours"),
    (",line.gcode,1,1,,,,", "both a job and hours"),
    (",,1,1,,,,-5", "filament_g is '-5'"),
    (",,1,1,,,,5,6", "9 cells under 8 columns"),
]


@pytest.mark.parametrize(("row", "words"), BAD_ORDERS)
def test_a_wrong_row_is_named_and_the_others_are_read(folder: Path, row: str, words: str) -> None:
    Path("orders.csv").write_text(f"{ORDERS}a,,1,1,,,,\n{row}\nb,,1,1,,,,\n")
    orders, findings = read_orders("orders.csv", VIENNA)
    assert [order.name for order in orders] == ["a", "b"]
    assert str(findings[0]).startswith(f"orders.csv:3: {words}")


def test_wrong_printers_are_named_and_the_others_are_used(folder: Path) -> None:
    (folder / "bad.toml").write_text("[machine]\nnam = 'x'\n")
    Path("printers.csv").write_text(
        PRINTERS + "one,bench.toml,,,\none,bench.toml,,,\n,bench.toml,,,\nx,bad.toml,,,\ny,no.toml,,,\nz,quick,,,soon\n"
    )
    printers, findings, zone = read_printers("printers.csv")
    assert [printer.name for printer in printers] == ["one"]
    assert zone == VIENNA
    told = [str(one) for one in findings]
    assert told[0] == "printers.csv:3: two printers are named 'one'; allowed: each name once (first in printers.csv:2)"
    assert told[1].startswith("printers.csv:4: a printer without a name")
    assert told[2].startswith("printers.csv:5: bad.toml:2: unknown key machine.nam")
    assert told[3].startswith("printers.csv:6: no.toml: no such file")
    assert told[4].startswith("printers.csv:7: free_from is 'soon'")


def test_tables_as_spreadsheets_write_them(folder: Path) -> None:
    Path("printers.csv").write_bytes("\ufeffname;machine;materials\r\none;bench.toml;black, white\r\n".encode())
    printers, findings, zone = read_printers("printers.csv")
    assert (printers[0].materials, findings) == (("black", "white"), [])
    Path("orders.csv").write_text('Order;Hours;Quantity\n"two\nlines";1,5;2\n;2;\n')
    orders, findings = read_orders("orders.csv", zone)
    assert [(order.seconds, order.quantity) for order in orders] == [(5400.0, 2), (7200.0, 1)]
    assert orders[1].name == "line 4"


def test_tables_that_cannot_be_used(folder: Path) -> None:
    for name, content, words in (
        ("empty.csv", b"", "the table is empty"),
        ("head.csv", b"name,machin\n", "no column is called 'machin'"),
        ("bytes.csv", b"name,machine\n\xff,bench.toml\n", "bytes.csv:2: this is not UTF-8 text"),
        ("quote.csv", b'name,machine\n"a,b\n', "this cannot be read as a table"),
    ):
        Path(name).write_bytes(content)
        with pytest.raises(InputError, match=words):
            read_printers(name)
    with pytest.raises(InputError, match=r"none\.csv: cannot be read: no such file"):
        read_orders("none.csv", VIENNA)
    (folder / "far.toml").write_text("[economy]\ntime_zone = 'Asia/Tokyo'\n")
    Path("two.csv").write_text(PRINTERS + "one,bench.toml,,,\ntwo,far.toml,,,\n")
    with pytest.raises(InputError, match="time zones Europe/Vienna and Asia/Tokyo"):
        read_printers("two.csv")


def test_a_head_that_is_not_understood_is_an_error_and_no_plan(folder: Path) -> None:
    for head, words in (
        ("order,hours,qty", r"orders\.csv:1: no column is called 'qty'; allowed: .* \(did you mean 'quantity'\?\)"),
        ("order,hours,Pieces", r"'pieces'; .*did you mean 'quantity'"),
        ("order,hours,quantiy", r"'quantiy'; .*did you mean 'quantity'"),
        ("order,hours,customer", r"no column is called 'customer'; allowed: order, job, hours"),
        ("order,hours,hours", "two columns 'hours'"),
        ("name,machine,class", r"orders\.csv:1: these are the columns of printers, not of orders; .*swapped"),
        ("one,two", "no column of the first line is known: one, two; .*is orders.csv the right file"),
    ):
        Path("orders.csv").write_text(f"{head}\na,1,2\n")
        with pytest.raises(InputError, match=words):
            read_orders("orders.csv", VIENNA)
    Path("orders.csv").write_text("order,hours,class\na,1,2\n")
    with pytest.raises(InputError, match="columns of orders, not of printers"):
        read_printers("orders.csv")
    Path("orders.csv").write_text("order,hours,quantity,,\na,1,2,,\n")  # as spreadsheets write it
    (one,), findings = read_orders("orders.csv", VIENNA)
    assert (one.quantity, findings) == (2, [])


@pytest.mark.parametrize(
    ("content", "looks"),
    [
        ("; first\n" + "G1 X1 Y2 E3 F600\n" * 5000, "this looks like G-code"),
        ("G21\nG90\nM104 S200\n" + "G1 X1,5\n" * 50, "this looks like G-code"),
        (BENCH, "this looks like a TOML file"),
        ('{"orders": [1, 2]}\n', "this looks like JSON"),
        ("Auftrag;Stunden\na;1\n", "known: auftrag, stunden"),
    ],
)
def test_a_file_that_is_no_table_is_told_in_a_few_words(folder: Path, content: str, looks: str) -> None:
    Path("orders.csv").write_text(content)
    with pytest.raises(InputError, match=looks) as wrong:
        read_orders("orders.csv", VIENNA)
    assert len(wrong.value.findings) <= 10
    Path("book.csv").write_bytes(b"PK\x03\x04\x14\x00\xff\xfe")
    with pytest.raises(InputError, match="looks like a spreadsheet"):
        read_orders("book.csv", VIENNA)


def test_how_often_an_order_is_late_is_told_where_one_is(folder: Path) -> None:
    late = shop_from("one,bench.toml,,,\n", "a,,7,3,2026-03-02,,,\nb,,1,1,,,,\n")
    heads, rows = order_table(late)
    assert [head for head, _ in heads][-2:] == ["hours late", "runs late"]
    assert rows == [
        ("a", "3", "Tue 03 Mar 15:12", "Mon 02 Mar", "15.2", "100%"), ("b", "1", "Wed 04 Mar 08:06", "", "", ""),
    ]  # fmt: skip
    on_time = order_table(shop_from("one,bench.toml,,,\n", "a,,7,3,2027-01-02,,,\n"))
    assert [head for head, _ in on_time[0]] == ["order", "parts", "done", "due", "hours late"]
    assert on_time[1] == [("a", "3", "Tue 03 Mar 15:12", "Sat 02 Jan 2027", "on time")]


def test_moments() -> None:
    assert moment_of("2026-03-29", VIENNA, end_of_day=True) == at("2026-03-30 00:00")
    assert moment_of("2026-03-29", VIENNA, end_of_day=True) - moment_of("2026-03-29", VIENNA) == 23 * 3600.0
    assert moment_of("2026-03-06T14:00", VIENNA) == at("2026-03-06 14:00")
    assert moment_of("2026-03-06 14:00+00:00", VIENNA) == at("2026-03-06 15:00")


def test_a_change_that_cannot_be_is_told_with_its_printer(folder: Path) -> None:
    with pytest.raises(InputError, match="odd, one: "):
        shop_from("one,bench.toml,,,\n", "a,,1,1,,,,\n", ShopVariant("odd", ({"flow": -1},), True))
    with pytest.raises(InputError, match=r"alone, orders\.csv:2: a: a print takes"):
        shop_from("one,bench.toml,,,\n", "a,,9,1,,,,\n", ShopVariant("alone", ({"economy.unattended": False},), True))


def test_the_picture_has_a_bar_for_everything_that_was_done(folder: Path) -> None:
    from matplotlib.colors import to_rgba

    shop = shop_from("one,bench.toml,,,\ntwo,bench.toml,,,\n", "lamp,,7,5,,,,\n")
    figure = gantt_figure(shop)
    (axes,) = figure.axes
    bars = [patch for patch in axes.patches if patch.get_linewidth() > 0]
    assert len(bars) == len(shop.first_run.bars)
    for patch, bar in zip(bars, shop.first_run.bars, strict=True):
        paint = paint_of(LIGHT, bar.what)
        assert patch.get_width() * 86400 == pytest.approx(bar.ends - bar.begins, abs=1e-3)
        assert patch.get_hatch() == paint.get("hatch")
        assert patch.get_facecolor() == to_rgba(paint["facecolor"])
    assert [label.get_text() for label in axes.get_yticklabels()] == ["one", "two"]
    assert "lamp" in [text.get_text() for text in axes.texts]
    # Told apart without colour: no two kinds share hatch and brightness.
    paints = [paint_of(LIGHT, what) for what in LOOKS]
    greys = {(paint.get("hatch"), round(sum(to_rgba(paint["facecolor"])[:3]), 1)) for paint in paints}
    assert len(greys) == len(LOOKS)
    save(gantt_figure(shop), folder / "g.png")
    assert (folder / "g.png").read_bytes()[:4] == b"\x89PNG"


@pytest.mark.parametrize("machine", ["gentle", "middling", "quick"])
def test_a_picture_of_printers_that_somebody_is_always_with(folder: Path, machine: str) -> None:
    shop = shop_from(f"one,{machine},,,\n", "lamp,,7,5,,,,\n")
    figure = gantt_figure(shop)
    assert "nobody there" not in [text.get_text() for text in figure.legends[0].get_texts()]
    save(gantt_figure(shop), folder / "g.png")
    assert (folder / "g.png").read_bytes()[:4] == b"\x89PNG"


def test_the_picture_shades_what_the_week_leaves_out(folder: Path) -> None:
    # From Monday eight until Tuesday 15:12: the night alone.
    shop = shop_from("one,bench.toml,,,\n", "stays,,7,3,,,,\n")
    figure = gantt_figure(shop)
    (night,) = [patch for patch in figure.axes[0].patches if patch.get_linewidth() == 0]
    begins, ends = (86400 * edge for edge in (night.get_x(), night.get_x() + night.get_width()))
    assert (begins, ends) == pytest.approx((at("2026-03-02 16:00"), at("2026-03-03 08:00")), abs=1e-3)
    assert "nobody there" in [text.get_text() for text in figure.legends[0].get_texts()]


def test_the_same_shop_from_python(folder: Path) -> None:
    import kinematics

    from_rows = shop_from("one,bench.toml,,,\n", "a,line.gcode,,3,2026-03-02,,,\n")
    with Path("orders.csv").open("a") as orders:
        orders.write("bad,,1,-2,,,,\n")
    shop = kinematics.shop("orders.csv", "printers.csv", MONDAY, {"brisk": {"speed": 2.0}})
    assert shop.of_orders == from_rows.of_orders
    assert [one.place for one in shop.cannot] == ["orders.csv:3"]
    assert shop.effects[0].name == "brisk"
    frame = shop.to_frame()
    assert list(frame["cost_per_part"]) == [one.part_cost for one in shop.of_orders]
    assert repr(shop).startswith("<Shop: 3 parts, ")
    with pytest.raises(InputError, match="start=: 'soon' is not a date"):
        kinematics.shop("orders.csv", "printers.csv", "soon")
    Path("orders.csv").write_text("order,hours\n")
    with pytest.raises(InputError, match="there is nothing to print"):
        kinematics.shop("orders.csv", "printers.csv", MONDAY)
