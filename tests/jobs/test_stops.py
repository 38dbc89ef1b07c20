"""Stops by hand: heaters side by side, homing, pauses, tool changes, dwells, and what nobody gave."""

from __future__ import annotations

import math
from random import Random

import numpy as np
import pytest

from kinematics.jobs.stops import pauses_before, stopped_under, stops_of
from kinematics.jobs.timing import event_clock
from tests.jobs.conftest import bench, straight, time_of

# 1 degree a second at the bed, 4 at the nozzle, a room of 20 degrees.
HEATERS = {
    "stops__ambient_c": 20.0,
    "stops__bed_heating_c_per_s": 1.0,
    "stops__nozzle_heating_c_per_s": 4.0,
}
HOT = bench(**HEATERS)
MOVE = "G1 X100 F6000\n"  # 100 mm at 100 mm/s
MOVE_TIME = straight(100.0, 100.0)
BACK = "G1 X0\n"


def heating(text: str) -> float:
    """Seconds of heating in a job that ends with a move."""
    stops = time_of(text + MOVE, HOT).stops
    assert stops.unknown == ()
    return stops.seconds.get("heating", 0.0)


HEATING = [
    # one heater: (60 - 20)/1
    ("M190 S60\n", 40.0),
    ("M140 S60\nM190 S60\n", 40.0),
    ("M109 S220\n", 50.0),
    # one after the other
    ("M190 S60\nM109 S220\n", 90.0),
    # side by side: the bed takes 40 s, the nozzle 50 s from the same moment, 10 s of which are left
    ("M140 S60\nM104 S220\nM190 S60\nM109 S220\n", 50.0),
    ("M104 S220\nM140 S60\nM109 S220\nM190 S60\n", 50.0),
    # the bed is told first, the nozzle once it is warm
    ("M140 S60\nM190 S60\nM104 S220\nM109 S220\n", 90.0),
    # a dwell counts for those that are under way
    ("M140 S60\nG4 S30\nM190 S60\n", 10.0),
    ("M140 S60\nG4 S45\nM190 S60\n", 0.0),
    # waiting again for what is warm costs nothing
    ("M190 S60\nM190 S60\nM109 S220\nM109 S200\n", 90.0),
    # a wait without a number counts for the last target
    ("M140 S60\nM190\n", 40.0),
    # told twice: it goes on from where it has come to, 30 degrees after 10 s
    ("M140 S60\nG4 S10\nM140 S80\nM190 S80\n", 50.0),
    # a second stage goes on from the first
    ("M190 S60\nM190 S100\n", 80.0),
    # every tool has a heater of its own
    ("M104 T0 S220\nM104 T1 S100\nM109 T0 S220\nM109 T1 S100\n", 50.0),
    ("M109 T0 S220\nM109 T1 S100\n", 70.0),
    # a target below the room is there at once
    ("M190 S10\n", 0.0),
    ("M190 S0\n", 0.0),
    # switched off, it is as warm as the room when it is told again
    ("M190 S0\nM190 S60\n", 40.0),
    ("M190 S60\nM140 S0\nM190 S60\n", 80.0),
    ("M109 R0\nM109 S220\n", 50.0),
    # what only heats up waits for no cooling
    ("M109 S220\nM104 S180\nM109 S180\n", 50.0),
    # both ways, upwards
    ("M190 R60\n", 40.0),
]


@pytest.mark.parametrize(("text", "seconds"), HEATING)
def test_heating(text: str, seconds: float) -> None:
    assert heating(text) == pytest.approx(seconds)


def test_heating_goes_on_beside_motion() -> None:
    timing = time_of("M140 S60\n" + MOVE + "M190 S60\n" + BACK, HOT)
    assert timing.stops.seconds == {"heating": pytest.approx(40.0 - MOVE_TIME)}
    assert timing.total == pytest.approx(40.0 + MOVE_TIME)


def test_heating_goes_on_while_a_layer_waits_for_its_shortest_time() -> None:
    timing = time_of(
        "M140 S60\nG1 X10 E1 F6000\nG1 Z1\nM190 S60\nG1 X0 E2\n", bench(**HEATERS, cooling__shortest_layer_s=8.0)
    )
    assert timing.stops.seconds["heating"] == pytest.approx(40.0 - 8.0)
    assert timing.total == pytest.approx(40.0 + 8.0)


def test_homing_and_other_stops() -> None:
    machine = bench(stops__homing_s=25.0, stops__pause_s=60.0, stops__tool_change_s=12.0)
    timing = time_of("T0\nG28\nG28 X\n" + MOVE + "M0\nT1\nT1\nM1\n" + BACK, machine)
    assert timing.stops.seconds == {"homing": 50.0, "pause": 120.0, "tool change": 12.0}
    assert timing.stops.total == 182.0
    assert timing.total == pytest.approx(182.0 + 2 * MOVE_TIME)


def test_heaters_go_on_during_homing_and_pauses() -> None:
    machine = bench(**HEATERS, stops__homing_s=25.0, stops__pause_s=5.0)
    timing = time_of("M140 S60\nG28\nM0\nM190 S60\n" + MOVE, machine)
    assert timing.stops.seconds == {"homing": 25.0, "pause": 5.0, "heating": pytest.approx(10.0)}


def test_dwells() -> None:
    timing = time_of("G4 S2\n" + MOVE + "G4 P500\nG4 S1\n" + BACK, bench())
    assert (timing.stops.dwell, timing.stops.seconds) == (3.5, {})
    assert timing.total == pytest.approx(3.5 + 2 * MOVE_TIME)


def test_dwells_after_the_last_move_count() -> None:
    assert time_of(MOVE + "G4 S7\n", bench()).stops.dwell == 7.0


@pytest.mark.parametrize("text", ["M0", "G4 S0", "M109", "T1", "G28 Y"])
def test_motion_rests_at_every_stop_of_any_length(text: str) -> None:
    through = time_of("T0\nG1 X50 F6000\nG1 X100\n", bench()).motion
    stopped = time_of(f"T0\nG1 X50 F6000\n{text}\nG1 X100\n", bench()).motion
    assert through == pytest.approx(MOVE_TIME)
    assert stopped == pytest.approx(2 * straight(50.0, 100.0))


@pytest.mark.parametrize("text", ["M104 S200", "M140 S60", "M106 S255", "G92 E0", "T0"])
def test_motion_does_not_rest_where_nothing_stops_it(text: str) -> None:
    assert time_of(f"T0\nG1 X50 F6000\n{text}\nG1 X100\n", bench()).motion == pytest.approx(MOVE_TIME)


def test_stops_whose_length_nobody_gave_are_listed() -> None:
    text = "T0\nG28\nM140 S60\nM190 S60\nM109 S200\n" + MOVE + "M0\nT1\nM109\n" + BACK
    stops = time_of(text, bench()).stops
    assert stops.total == 0.0
    assert [stop.line for stop in stops.unknown] == [2, 4, 5, 7, 8, 9]
    what = [stop.what for stop in stops.unknown]
    assert what[0] == "homing: stops.homing_s is not given"
    assert what[1] == "heating the bed to 60 °C: stops.bed_heating_c_per_s and stops.ambient_c not given"
    assert what[2] == "heating the nozzle to 200 °C: stops.nozzle_heating_c_per_s and stops.ambient_c not given"
    assert what[3] == "pause: stops.pause_s is not given"
    assert what[4] == "tool change: stops.tool_change_s is not given"
    assert what[5].startswith("heating the nozzle: ")


def test_only_what_is_missing_is_named() -> None:
    machine = bench(stops__bed_heating_c_per_s=1.0)
    (stop,) = time_of("M190 S60\n" + MOVE, machine).stops.unknown
    assert stop.what == "heating the bed to 60 °C: stops.ambient_c not given"


def test_after_an_unknown_wait_the_heater_is_where_it_was_told() -> None:
    # Nobody gave the room's temperature: the first wait is unknown, from there on the bed is at 60 degrees.
    machine = bench(stops__bed_heating_c_per_s=1.0)
    stops = time_of("M190 S60\n" + MOVE + "M190 S75\n" + BACK, machine).stops
    assert stops.seconds == {"heating": pytest.approx(15.0)}
    assert len(stops.unknown) == 1


def test_cooling_down_is_listed_since_nobody_gives_how_fast() -> None:
    stops = time_of("M109 S220\n" + MOVE + "M109 R180\n" + BACK, HOT).stops
    assert stops.seconds == {"heating": pytest.approx(50.0)}
    (stop,) = stops.unknown
    assert stop.line == 3
    assert stop.what.startswith("cooling the nozzle down to 180 °C")


def test_many_clocks_stop_as_each_of_them_does() -> None:
    """Any stops, heaters under way, cooling and waits of weeks among them, on clocks that run at their own pace."""
    random = Random(5)
    words = (
        "M140 S60",
        "M104 S220",
        "M190 S60",
        "M109 S200",
        "M109 R180",
        "M190 R40",
        "G4 S9",
        "G28",
        "M0",
        "T1",
        "T0",
    )
    words = (*words, "M109 R110", "M104 S150", "G4 S900000", "M190 S9000000", "G10", MOVE.strip())
    for _ in range(300):
        text = "\n".join(random.choice(words) for _ in range(14)) + "\n" + MOVE
        given = {key: value for key, value in HEATERS.items() if random.random() < 0.95}
        machine = bench(**given, **({"stops__homing_s": 25.0} if random.random() < 0.5 else {}), stops__startup_s=3.0)
        job = time_of(text, machine).planned.job
        moments = np.cumsum([random.choice((0.0, 0.5, 30.0)) for _ in range(job.events.kind.size)])
        clocks = moments[:, None] * np.array([0.0, 0.01, 0.3, 1.0, 4.0, 1e5])
        found = stopped_under(job.events, machine, clocks, job.facts)
        alone = [stops_of(job.events, machine, clock, job.facts) for clock in clocks.T]
        assert found == pytest.approx([one.dwell + one.total for one in alone], rel=1e-12)


def test_a_job_of_dwells_alone_has_no_clock_to_keep() -> None:
    timing = time_of("G4 S1\n" * 50 + MOVE, HOT)
    assert timing.stops.dwell == 50.0
    assert math.isclose(timing.total, 50.0 + MOVE_TIME)


def test_pauses_stand_before_the_moves_that_wait_for_them() -> None:
    """Every stop at its place, as long as the estimate says; those of unknown length take no time."""
    machine = bench(**HEATERS, stops__homing_s=25.0, stops__pause_s=5.0, cooling__shortest_layer_s=8.0)
    text = f"T0\nG28\nM140 S60\nG4 S1\n{MOVE}G1 Z1 E1\nT1\nM0\nM190 S60\n{BACK}G4 S3\n{MOVE}G4 S7\n"
    timing = time_of(text, machine)
    planned = timing.planned
    pauses = pauses_before(len(planned.job), planned.job.events, machine, event_clock(planned, timing.layers))
    heated = timing.stops.seconds["heating"]
    assert heated > 1.0
    assert pauses.tolist() == [26.0, 0.0, pytest.approx(5.0 + heated), 3.0]
    assert math.fsum(pauses) + 7.0 == pytest.approx(timing.stops.dwell + timing.stops.total)


def test_what_passes_beside_the_moves_is_counted_once() -> None:
    """40 s at the start, 0.5 s for each of 3 layers, 0.2 s for each of 2 retractions; a return is none."""
    layers = "".join(f"G1 Z{z} F600\nG1 X{x} E{e} F6000\n" for z, x, e in ((0.2, 100, 3), (0.4, 0, 6), (0.6, 100, 9)))
    text = layers + "G1 E8 F1800\nG1 X0\nG1 E9\nG1 E7\nG1 Y50 E6\n"
    plain = time_of(text, bench())
    timing = time_of(text, bench(stops__startup_s=40.0, stops__each_layer_s=0.5, stops__each_retraction_s=0.2))
    assert timing.stops.seconds == {"start-up": 40.0, "layer changes": 1.5, "retraction pauses": pytest.approx(0.4)}
    assert timing.total - plain.total == pytest.approx(41.9)
    assert timing.by_cause["layer changes"] == 1.5


def test_layers_and_retractions_that_are_not_there_take_nothing() -> None:
    assert time_of(MOVE, bench(stops__each_layer_s=0.5, stops__each_retraction_s=0.2)).stops.seconds == {}


def test_a_shortest_layer_time_swallows_nothing_of_it() -> None:
    text = "G1 Z0.2 F600\nG1 X10 E1 F6000\nG1 Z0.4\nG1 X0 E2\n"
    cooled = time_of(text, bench(cooling__shortest_layer_s=8.0))
    both = time_of(text, bench(cooling__shortest_layer_s=8.0, stops__each_layer_s=0.5))
    assert both.total - cooled.total == pytest.approx(1.0)


def test_what_stands_before_the_first_move_is_told_apart() -> None:
    machine = bench(**HEATERS, stops__homing_s=25.0, stops__startup_s=40.0)
    stops = time_of(f"G28\nM190 S60\nG4 S3\n{MOVE}M190 S75\nG4 S9\n{BACK}", machine).stops
    assert stops.before_moves == pytest.approx(40.0 + 25.0 + 40.0 - 0.0 + 3.0)
    assert time_of(f"G4 S3\n{MOVE}G4 S9\n", bench()).stops.before_moves == 3.0
