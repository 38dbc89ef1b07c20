"""Orders of which several copies are printed at a time, by hand: numbers, auto, nights, failures, and what is said."""

from __future__ import annotations

import math
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from kinematics.business.floor import FAILED, FULL, HANDS, NIGHT, ONE, PRINTING, FloorOrder, Station, simulate
from kinematics.business.plan import Clock
from kinematics.business.runs import Shop, shop_of
from kinematics.business.staffed import Staff
from kinematics.business.tables import moment_of, read_orders, read_printers
from kinematics.jobs.prepared import PreparedJob
from kinematics.machine.kinds import shift_of
from kinematics.reports.documents import shop_document
from kinematics.reports.shop import fuller_text, order_table, shop_head

VIENNA = ZoneInfo("Europe/Vienna")
HOUR = 3600.0
BENCH = """\
[machine]
bed_mm = [200, 100, 200]
[filament]
price_per_kg = 20.0
density_g_cm3 = 1.25
[economy]
staffed = ["Mon-Fri 08:00-16:00"]
time_zone = "Europe/Vienna"
unattended = true
turnaround_min = 6.0
"""
HEAD = "order,job,hours,quantity,due,class,material,filament_g,copies\n"
# Three layers of 90 mm at 1 mm/s to and fro, 90 mm wide and 10 mm deep: 4.5 minutes and more, 2 × 6 on the bed.
PART = "M83\n" + "".join(
    f"G1 E-1 F600\nG0 X5 Y5 Z{z} F6000\nG1 E1 F600\nG1 X95 E3 F60\nG1 Y15 E.3\n" for z in (1, 2, 3)
)


def at(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=VIENNA).timestamp()


def staff() -> Staff:
    return Staff([shift_of("Mon-Fri 08:00-16:00")], VIENNA, at("2026-03-02"))


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bench.toml").write_text(BENCH)
    (tmp_path / "part.gcode").write_text(PART)
    places = [(40 + 20 * math.cos(i / 4), 40 + 20 * math.sin(i / 4), 0.2 + i / 100) for i in range(400)]
    spiral = "".join(f"G1 X{x:.3f} Y{y:.3f} Z{z:.3f} E1 F300\n" for x, y, z in places)
    (tmp_path / "spiral.gcode").write_text("M83\nG0 X60 Y40 Z0.2\n" + spiral)
    (tmp_path / "printers.csv").write_text("name,machine,class,materials\none,bench.toml,,\n")
    return tmp_path


def shop_from(orders: str, *settings: str, runs: int = 20) -> Shop:
    Path("orders.csv").write_text(HEAD + orders)
    found, wrong, zone = read_printers("printers.csv", settings)
    wanted, more = read_orders("orders.csv", zone)
    assert not wrong + more
    clock = Clock({path: PreparedJob(path) for path in {order.job for order in wanted if order.job is not None}})
    return shop_of(wanted, found, clock, moment_of("2026-03-02 08:00", zone), zone, runs=runs)


# ---- the floor -----------------------------------------------------------------------------------------------------


def floor_order(quantity: int, copies: int, hours: tuple[float, ...]) -> FloorOrder:
    times = tuple(hour * HOUR for hour in hours)
    return FloorOrder(at("2026-03-02 08:00"), math.inf, quantity, "", times[:1], (10.0,), copies, (times[1:],))


def begun(order: FloorOrder, filling: str = ONE, **more: object) -> list[tuple[str, int]]:
    """When each print begins, and how many copies it has."""
    station = Station("one", staff(), turnaround=360.0)._replace(**more)
    run = simulate([station], [order], 1, at("2026-03-02 08:00"), filling=filling)
    bars = [bar for bar in run.bars if bar.what == PRINTING]
    assert sum(bar.copies for bar in bars) == order.quantity == len(run.done[0])
    return [(datetime.fromtimestamp(bar.begins, VIENNA).strftime("%a %H:%M"), bar.copies) for bar in bars]


def test_a_number_of_copies_and_what_is_left_over() -> None:
    assert begun(floor_order(7, 3, (1.0, 2.0, 3.0))) == [("Mon 08:00", 3), ("Mon 11:06", 3), ("Mon 14:12", 1)]


def test_no_more_than_there_is_room_or_filament_for() -> None:
    assert begun(floor_order(5, 9, (1.0, 2.0))) == [("Mon 08:00", 2), ("Mon 10:06", 2), ("Mon 12:12", 1)]
    # A spool holds 25 g, a copy takes ten: two at a time, and a new spool for each pair.
    few = begun(floor_order(4, 4, (1.0, 2.0, 3.0, 4.0)), spool=25.0, spool_change=60.0)
    assert [copies for _, copies in few] == [2, 2]


def test_as_many_as_fit_and_one_at_a_time() -> None:
    order = floor_order(5, 0, (1.0, 2.0, 3.0))
    assert [copies for _, copies in begun(order, ONE)] == [1] * 5
    assert [copies for _, copies in begun(order, FULL)] == [3, 2]


def test_what_lasts_the_night_by_hand() -> None:
    """One takes 3.5 h, n of them 3.5 n: three are ready at 18:30 and wait until 08:00, six at 05:00.

    At 08:00 two take until 15:06 with hands: 2/7.1 a good hour, more than one (1/3.6), and than six in 24.1 h (6/24.1)
    or anything between that waits until the next morning. At 15:06 six end at 12:06 on Tuesday (21 h), which beats four
    ready at 05:06 and off at 08:06 (4/17), by 6/21.1 to 4/17; five are off at 08:42 (17.5 h): 5/17.6 is most: .2841
    against .2844 of six.
    """
    order = floor_order(40, 0, tuple(3.5 * n for n in range(1, 7)))
    first, second, *_ = begun(order, NIGHT)
    assert first == ("Mon 08:00", 2)
    rates = {n: n / ((max(15.1 + 3.5 * n, 32.0) + 0.1) - 15.1) for n in range(1, 7)}
    # Begun at 15:06: the clock runs in hours from Monday's midnight, and Tuesday opens at 32.
    assert second == ("Mon 15:06", max(rates, key=rates.__getitem__))


def test_without_unattended_running_what_is_off_in_time() -> None:
    order = floor_order(10, 0, (1.0, 2.0, 3.0, 4.0, 5.0, 9.0))
    for filling in (FULL, NIGHT):
        copies = begun(order, filling, unattended=False)
        assert copies[0] == ("Mon 08:00", 5)
        assert all(begins[4:] < "15:55" for begins, _ in copies)
    # A number that is too much for what is left of the day waits for the next.
    assert begun(floor_order(4, 2, (3.0, 6.0)), unattended=False) == [("Mon 08:00", 2), ("Tue 08:00", 2)]


def test_a_bedful_that_fails_loses_all_its_parts() -> None:
    station = Station("one", Staff(None), turnaround=360.0, failed_share=0.3)
    run = simulate([station], [floor_order(60, 3, (1.0, 2.0, 3.0))], 1, at("2026-03-02 08:00"), (4,))
    lost = [bar for bar in run.bars if bar.what == FAILED]
    good = [bar for bar in run.bars if bar.what == PRINTING]
    assert lost
    assert sum(bar.copies for bar in good) == 60
    assert {bar.copies for bar in [*lost, *good]} == {3}
    assert sum(bar.what == HANDS for bar in run.bars) == len(lost) + len(good)


# ---- the shop ------------------------------------------------------------------------------------------------------


def test_hours_are_those_of_one_print_of_so_many(folder: Path) -> None:
    shop = shop_from("a,,3,4,,,,50,2\n", "economy.turnaround_min=0")
    assert shop.finished_s.middle == at("2026-03-02 14:00")
    assert shop.of_orders[0].filament_cost == pytest.approx(1.0)  # 50 g of 20 a kilogram, of a part
    assert shop.of_orders[0].energy_kwh == 0.0


def test_auto_is_planned_by_the_best_filling_and_told(folder: Path) -> None:
    shop = shop_from("a,part.gcode,,400,,,,,auto\n")
    assert {filling for filling, _ in shop.filled} == {ONE, FULL, NIGHT}
    assert shop.filling in (FULL, NIGHT)
    told = dict(shop.filled)
    assert told[shop.filling].parts_per_day == max(one.parts_per_day for one in told.values())
    assert told[shop.filling].parts_per_day > 1.2 * told[ONE].parts_per_day
    assert f"how many at a time: {shop.filling}" in shop_head(shop)
    heads, rows = order_table(shop)
    assert rows[0][[head for head, _ in heads].index("at a time")] == "auto"
    assert shop.fuller is None
    document = shop_document(shop)
    assert document["filling"] == shop.filling
    assert document["orders"][0]["copies"] == "auto"


def test_what_fuller_beds_bring_is_said_and_are_the_cure(folder: Path) -> None:
    shop = shop_from("a,part.gcode,,400,,,,,\n")
    assert shop.fuller is not None
    assert shop.fuller.most == (12,)
    auto = shop_from("a,part.gcode,,400,,,,,auto\n")
    assert shop.fuller.parts_per_day.mean == pytest.approx(auto.parts_per_day.mean)
    (held,) = [line for line in shop_head(shop) if line.startswith("bottleneck: ")]
    assert "fuller beds are the cure: " in held
    assert f"fuller beds ({shop.fuller.filling}) bring" in fuller_text(shop)[0]
    assert "at most a 12 at a time; the column copies plans them so" in fuller_text(shop)[0]
    assert shop_document(shop)["fuller_beds"]["most_at_a_time"] == {"a": 12}


def test_the_best_number_of_an_order_is_that_of_brute_force(folder: Path) -> None:
    """Every number in the column, one after the other: none is better than the shop says auto is, or hardly."""
    auto = shop_from("a,part.gcode,,600,,,,,auto\n").parts_per_day.mean
    each = [shop_from(f"a,part.gcode,,600,,,,,{copies}\n").parts_per_day.mean for copies in range(1, 13)]
    assert auto >= 0.97 * max(each)
    assert max(each) > each[0]


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("a,part.gcode,,40,,,,,14\n", "a: 12 at a time, as no more fit on a bed"),
        ("a,part.gcode,,2,,,,,4\n", "a: copies is 4, and quantity only 2"),
        ("a,spiral.gcode,,40,,,,,auto\n", "a: one at a time, since copies cannot be made layer by layer"),
    ],
)
def test_what_is_planned_otherwise_is_said(folder: Path, row: str, said: str) -> None:
    assert any(said in finding.found for finding in shop_from(row).doubtful)


def test_a_number_of_spirals_is_left_out_with_the_reason(folder: Path) -> None:
    shop = shop_from("a,spiral.gcode,,40,,,,,4\nb,part.gcode,,1,,,,,\n")
    (finding,) = shop.cannot
    assert "one continuous spiral" in finding.found


def test_cells_that_cannot_be(folder: Path) -> None:
    Path("orders.csv").write_text(HEAD + "a,part.gcode,,1,,,,,0\nb,,2,1,,,,,auto\nc,part.gcode,,1,,,,,many\n")
    _, findings = read_orders("orders.csv", VIENNA)
    assert [finding.found for finding in findings] == [
        "copies is '0'",
        "copies is auto, and how long several take is not known of an order given in hours",
        "copies is 'many'",
    ]
    assert findings[0].allowed == "a whole number from 1 to 1,000, or auto"
