"""Every picture, on the samples and under names that nobody would choose: no text over another or off the canvas."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.figure import Figure

import kinematics
from kinematics.reports import pictures
from kinematics.reports.fit_pictures import fit_figure
from kinematics.reports.proof_sheet import sheet_figure
from kinematics.reports.shop_pictures import bedful_figure
from kinematics.reports.style import DARK, LIGHT, PICTURE_KINDS, DrawingLook, save
from kinematics.studies.estimate import Estimate
from tests.reports.texts import texts_of, troubles
from tests.vibration.shaken import case, recorded

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_gcode"
BENCH = SAMPLES / "machines" / "bench_cartesian.toml"
HOSTILE = """<b>&"'$x_1^2$ WWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWW mmmmmmmmmmmmmmmmmmmm WWW"""
LETTERS = 80
SQUARE = "".join(
    f"G0 X11 Y11 Z{0.2 * layer:.1f} F6000\n"
    + "".join(
        f"G1 X{x} Y{y} E{0.4 * (4 * layer + i):.2f} F{1200 + 900 * i}\n"
        for i, (x, y) in enumerate([(60, 10), (60, 50), (10, 50), (12, 10)], 1)
    )
    for layer in range(1, 6)
)
UPGRADES = """
[economy]
machine_cost_per_hour = 0.6
currency = "EUR"
[[upgrade]]
name = '''{name}'''
price = 60.0
fitting_hours = 1.0
set = {{ "motion.print_acceleration_mm_s2" = 6000 }}
[[upgrade]]
name = "melt zone"
price = 5.0
set = {{ "hotend.max_flow_mm3_s" = 30 }}
"""
VARY = {"acceleration": "300:9000:7log"}


def machine_named(folder: Path, name: str) -> Path:
    """A machine of the samples under another name, with upgrades."""
    text = BENCH.read_text().replace('name = "Bench A"', f"name = '''{name}'''")
    assert name in text
    head, *rest = text.split("[proof]")
    proof = "".join(f"[proof]{part}" for part in rest).split("\n\n")[1:]
    path = folder / "machine.toml"
    path.write_text("\n\n".join([head, *proof]) + UPGRADES.format(name=name))
    return path


def every_picture(job: Path, machine: Path, name: str) -> dict[str, Any]:
    """Every result that has a picture, by what it is."""
    estimate = kinematics.estimate(job, machine)
    found: dict[str, Any] = {
        "causes": estimate,
        "comparison": kinematics.compare(
            job, machine, {name: {"acceleration": 4000}, "both": "acceleration=4000, speed=2"}
        ),
        "caps": kinematics.caps(job, machine),
        "target": kinematics.target(job, machine, estimate.total_s * 0.97, ("acceleration", "speed")),
        "upgrades": kinematics.upgrades(job, machine, 30),
        "curve": kinematics.sweep(job, machine, VARY),
        "map": kinematics.sweep(job, machine, VARY | {"speed": "0.5:2:4"}),
        "lowered": kinematics.sweep(job, machine, {"cooling.shortest_layer_s": [2.0, 4.0, 8.0]}),
        "ringing": kinematics.ringing(job, machine),
        "rounding": kinematics.rounding(job, machine),
        "ladder": kinematics.ladder(job, machine),
        "bedful": kinematics.bedful(job, machine),
        "filters": kinematics.vibrations(job, machine),
        "measured": kinematics.fit([(job, 1.1 * estimate.total_s), (job, 0.8 * estimate.total_s)], machine),
    }
    return found


def figures_of(results: dict[str, Any], look: DrawingLook) -> dict[str, Figure]:
    """The figures of results, and of an estimate's job those that are asked for by name."""
    found = {name: pictures.figure_of(result, look) for name, result in results.items()}
    job = results["causes"].jobs[0]
    if "bedful" in results:
        found["copies"] = bedful_figure(results["bedful"].jobs[0], look)
    if "measured" in results:
        found["prints"] = fit_figure(results["measured"], look)
    return found | {"layers": pictures.layers_figure(job, look), "path": pictures.path_figure(job, None, look)}


def with_worth(job: Path, machine: Path) -> Estimate:
    """An estimate that tells what limits are worth."""
    from kinematics.jobs.prepared import PreparedJob
    from kinematics.machine import load_machine
    from kinematics.studies.estimate import estimate_prepared

    return estimate_prepared([PreparedJob(str(job))], load_machine(str(machine)), worth=True)


@pytest.mark.parametrize(
    ("look", "name"), [(LIGHT, "bench"), (DARK, HOSTILE[:LETTERS])], ids=["plain, light", "hostile, dark"]
)
def test_no_text_overlaps_another_or_leaves_the_canvas(tmp_path: Path, look: DrawingLook, name: str) -> None:
    job = tmp_path / f"{name.replace('/', '-')[:70]}.gcode"
    job.write_text(SQUARE)
    machine = machine_named(tmp_path, name)
    found = figures_of(every_picture(job, machine, name), look)
    found["worth"] = pictures.worth_figure(with_worth(job, machine).jobs[0], look)
    assert {which: troubles(figure) for which, figure in found.items() if troubles(figure)} == {}


@pytest.mark.parametrize("sample", ["bracket", "cable_guide_arcs", "spiral_cup", "tall_pin", "test_cube"])
def test_pictures_of_the_samples_are_clear(sample: str) -> None:
    job = SAMPLES / f"{sample}.gcode"
    estimate = kinematics.estimate(job, BENCH)
    swept = kinematics.sweep(job, BENCH, {"acceleration": "300:9000:10log", "speed": "0.5:2:4"})
    found = figures_of({"causes": estimate, "map": swept, "curve": kinematics.sweep(job, BENCH, VARY)}, LIGHT)
    assert {which: troubles(figure) for which, figure in found.items() if troubles(figure)} == {}


def shop_in(folder: Path, names: tuple[str, str], quantity: int) -> kinematics.business.runs.Shop:
    """Two orders on two printers, all under names of somebody's choice."""
    first, second = (name.replace('"', '""') for name in names)
    (folder / "orders.csv").write_text(
        f'order,job,hours,quantity,due,class,material\n"{first}",,5,{quantity},,,\n"{second}",,2.5,{quantity},,,\n'
    )
    shutil.copy(SAMPLES / "shop" / "bench.toml", folder / "bench.toml")
    (folder / "printers.csv").write_text(f'name,machine\n"{first}",bench.toml\n"{second}",bench.toml\n')
    return kinematics.shop(folder / "orders.csv", folder / "printers.csv", "2026-03-02 08:00", runs=1)


@pytest.mark.parametrize("quantity", [3, 60], ids=["days", "months"])
@pytest.mark.parametrize(("look", "hostile"), [(LIGHT, False), (DARK, True)])
def test_a_shop_is_drawn_clearly(tmp_path: Path, quantity: int, hostile: bool, look: DrawingLook) -> None:
    names = (HOSTILE[:LETTERS], HOSTILE[::-1][:LETTERS]) if hostile else ("stays", "cups")
    figure = pictures.figure_of(shop_in(tmp_path, names, quantity), look)
    assert troubles(figure) == []


def test_a_year_is_drawn_by_days(tmp_path: Path) -> None:
    from kinematics.business.floor import FAILED, PRINTING
    from kinematics.reports.shop_pictures import day_shares

    shop = shop_in(tmp_path, ("stays", "cups"), 60)
    end = max(bar.ends for bar in shop.first_run.bars)
    shares = day_shares(shop, end)
    assert shares.sum(axis=0).max() <= 1.0 + 1e-9
    printed = sum(bar.ends - bar.begins for bar in shop.first_run.bars if bar.what in (PRINTING, FAILED))
    assert shares[0].sum() * 86400.0 == pytest.approx(printed)
    figure = pictures.figure_of(shop)
    assert len(figure.axes[0].patches) < 100  # a band a printer, not a bar a print


@pytest.mark.parametrize(("look", "name"), [(LIGHT, "bench"), (DARK, HOSTILE[:LETTERS])], ids=["plain", "hostile"])
def test_recordings_filters_and_budgets_are_drawn_clearly(tmp_path: Path, look: DrawingLook, name: str) -> None:
    from kinematics.jobs.prepared import PreparedJob
    from kinematics.reports.vibration_pictures import vibration_figures

    job = tmp_path / f"{name.replace('/', '-')[:70]}.gcode"
    job.write_text(SQUARE)
    for axis, number in (("x", 0), ("y", 23)):
        times, values, _ = recorded(case(number))
        table = np.column_stack([times, values])
        np.savetxt(tmp_path / f"{axis}.csv", table, delimiter=",", header="time_s,a_mm_s2", comments="")
    shaken = {axis: tmp_path / f"{axis}.csv" for axis in "xy"}
    found = kinematics.vibrations(job, machine_named(tmp_path, name), **shaken)
    figures = vibration_figures(found, [PreparedJob(str(job))], [1.0], look)
    assert sorted(figures) == ["corner", "filters", "spectrum", "time"]
    assert {which: troubles(figure) for which, figure in figures.items() if troubles(figure)} == {}


@pytest.mark.parametrize("kind", ["acceleration", "flow"])
def test_the_sheet_of_a_proof_is_clear(kind: str) -> None:
    from kinematics.machine import load_machine
    from kinematics.proofs.plan import PROOF_KINDS as PROOFS
    from kinematics.proofs.plan import plan_of, unit_of

    machine = load_machine(str(BENCH))
    plan = plan_of(PROOFS[kind], machine, None, None, None, 5.0, None, None)
    for look in (LIGHT, DARK):
        assert troubles(sheet_figure(plan, HOSTILE[:LETTERS], unit_of(plan), 1234.0, look)) == []


@pytest.mark.parametrize("kind", PICTURE_KINDS)
def test_the_same_picture_has_the_same_bytes(tmp_path: Path, kind: str) -> None:
    for name in ("one", "two"):
        save(pictures.figure_of(kinematics.caps(None, BENCH)), tmp_path / f"{name}{kind}")
    one, two = ((tmp_path / f"{name}{kind}").read_bytes() for name in ("one", "two"))
    assert one == two
    assert len(one) > 5_000


def test_what_is_found_is_said_above_the_picture() -> None:
    swept = kinematics.sweep(SAMPLES / "bracket.gcode", BENCH, {"acceleration": "300:9000:20log"})
    words = [text.get_text() for text, _ in texts_of(pictures.figure_of(swept))]
    assert words[-1] or words  # figure texts come with all others
    assert any("motor y stops it" in one for one in words)
    assert not any("10^" in one or "mathdefault" in one for one in words)
    assert {"500", "1,000", "2,000", "5,000"} <= set(words)


def test_every_result_draws_itself_into_given_axes_or_new_ones(tmp_path: Path) -> None:
    job = tmp_path / "square.gcode"
    job.write_text(SQUARE)
    results = every_picture(job, machine_named(tmp_path, "bench"), "brisk")
    results["shop"] = shop_in(tmp_path, ("stays", "cups"), 3)
    for result in results.values():
        axes = Figure(figsize=(7, 4)).subplots()
        assert result.plot(axes) is axes
        assert axes.get_title(loc="left")
        assert result.plot().get_figure() is not None
    drawn = results["causes"].jobs[0].plot(layer=2, by="binds")
    assert len(drawn.collections) == 2
    from matplotlib import pyplot

    pyplot.close("all")


def test_a_layer_that_is_not_there_is_an_error(tmp_path: Path) -> None:
    job = tmp_path / "square.gcode"
    job.write_text(SQUARE)
    found = kinematics.estimate(job, BENCH).jobs[0]
    with pytest.raises(kinematics.InputError, match=r"there is no layer 99; allowed: 1 to 5"):
        found.plot(layer=99)
    with pytest.raises(kinematics.InputError, match='"speed" or "binds"'):
        found.plot(by="kind")


def test_the_path_ends_where_the_file_says_and_takes_as_long_as_planned(tmp_path: Path) -> None:
    from kinematics.reports.path_pictures import path_of

    job = tmp_path / "square.gcode"
    job.write_text(SQUARE)
    estimate = kinematics.estimate(job, BENCH).jobs[0]
    path = path_of(estimate.timing.whole_plan())
    assert path.ends[1, :, -1] == pytest.approx([12.0, 10.0, 1.0])
    assert path.seconds.sum() == pytest.approx(estimate.motion_s)
    assert sum(spent for _, spent in path.causes) == pytest.approx(estimate.motion_s)
    assert set(path.layer.tolist()) >= {1, 2, 3, 4, 5}


def test_a_picture_of_caps_is_as_high_as_its_bars_and_counts_them() -> None:
    """Of many limits that are set, one alone has a known cap on a plain machine with a hotend."""
    plain = kinematics.caps(None, "middling").machine.with_settings({"hotend.max_flow_mm3_s": 14}, "test")
    found = kinematics.caps(SAMPLES / "test_cube.gcode", plain)
    assert sum(row.asked is not None for row in found.rows) > 5
    figure = pictures.figure_of(found)
    bars = [patch for axes in figure.axes for patch in axes.patches if patch.get_width() > 0.0]
    assert len(bars) == 1
    assert "The one limit with a known cap stays within it" in [text.get_text() for text, _ in texts_of(figure)]
    assert figure.get_size_inches()[1] < 0.7 * pictures.figure_of(kinematics.caps(None, BENCH)).get_size_inches()[1]
