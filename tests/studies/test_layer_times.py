"""Layers that must last a while, and layers that keep the file's own speeds, by hand."""

from __future__ import annotations

import pytest

from kinematics.jobs.prepared import PreparedJob
from kinematics.studies.estimate import estimate_prepared, layer_rows
from tests.jobs.conftest import bench, job_of, straight, time_of

# Three layers: 100 mm to and fro in the first, 50 mm in the second, 10 mm in the third; each from rest to rest.
TOWER = """\
G1 X100 E1 F6000
G1 X0 E2
G4 S1
G1 Z1
G4 S1
G1 X50 E3
G4 S1
G1 Z2
G4 S1
G1 X60 E4
"""
LINE = straight(100.0, 100.0)
LIFT = straight(1.0, 100.0)
LAYERS = [0.0, 2 * LINE + LIFT, straight(50.0, 100.0) + LIFT, straight(10.0, 100.0)]


def test_a_layer_holds_what_is_travelled_before_the_next() -> None:
    layers = time_of(TOWER, bench()).layers
    assert layers.motion.tolist() == pytest.approx(LAYERS)
    assert layers.cooling.tolist() == [0.0] * 4


@pytest.mark.parametrize("shortest", [0.0, 0.1, 0.5, 1.0, 3.0])
def test_a_layer_lasts_the_shortest_time_at_least_and_dwells_do_not_count(shortest: float) -> None:
    timing = time_of(TOWER, bench(cooling__shortest_layer_s=shortest))
    added = [0.0, *(max(0.0, shortest - seconds) for seconds in LAYERS[1:])]
    assert timing.layers.cooling.tolist() == pytest.approx(added)
    assert timing.cooling == pytest.approx(sum(added))
    assert timing.total == pytest.approx(sum(LAYERS) + sum(added) + 4.0)
    assert timing.by_cause.get("cooling: shortest layer time", 0.0) == pytest.approx(sum(added))


def test_what_is_before_the_first_layer_is_never_stretched() -> None:
    timing = time_of("G1 X10 F6000\nG4 S1\nG1 X20 E1\n", bench(cooling__shortest_layer_s=5.0))
    assert timing.layers.cooling.tolist() == pytest.approx([0.0, 5.0 - straight(10.0, 100.0)])
    assert time_of("G1 X10 F6000\n", bench(cooling__shortest_layer_s=5.0)).cooling == 0.0


def test_rows_of_layers() -> None:
    estimate = estimate_prepared([PreparedJob(job_of(TOWER))], bench(cooling__shortest_layer_s=1.0))
    rows = layer_rows(estimate.jobs[0])
    assert [row["layer"] for row in rows] == [0, 1, 2, 3]
    assert [row["moves"] for row in rows] == [0, 3, 2, 1]
    assert [row["total_s"] for row in rows] == pytest.approx([max(1.0, s) if s else 0.0 for s in LAYERS])
    frame = estimate.jobs[0].layers_frame()
    assert frame.to_dict("records") == rows


def layer_times_with(**settings: object) -> list[float]:
    """Motion of the three layers under a machine."""
    return [float(seconds) for seconds in time_of(TOWER, bench(**settings)).layers.motion[1:]]


def test_an_override_changes_every_speed() -> None:
    fast = layer_times_with(motion__feed_override=2.0)
    assert fast == pytest.approx(
        [2 * straight(100, 200) + straight(1, 200), straight(50, 200) + straight(1, 200), straight(10, 200)]
    )


def test_an_override_of_one_kind_changes_that_kind_alone() -> None:
    fast = layer_times_with(motion__by_kind__print__feed_override=2.0)
    assert fast == pytest.approx([2 * straight(100, 200) + LIFT, straight(50, 200) + LIFT, straight(10, 200)])
    both = layer_times_with(motion__feed_override=3.0, motion__by_kind__print__feed_override=2.0)
    assert both[2] == pytest.approx(straight(10, 200))


def test_a_replaced_speed_is_multiplied_as_well() -> None:
    slow = layer_times_with(motion__by_kind__print__commanded_speed_mm_s=40.0)
    assert slow[2] == pytest.approx(straight(10, 40))
    twice = layer_times_with(motion__by_kind__print__commanded_speed_mm_s=40.0, motion__feed_override=2.0)
    assert twice[2] == pytest.approx(straight(10, 80))


def test_first_layers_keep_the_files_own_speeds() -> None:
    kept = {"motion__first_layers__count": 2, "motion__first_layers__keep_commanded_speed": True}
    fast = layer_times_with(motion__feed_override=2.0, **kept)
    assert fast == pytest.approx([LAYERS[1], LAYERS[2], straight(10, 200)])
    replaced = layer_times_with(motion__by_kind__print__commanded_speed_mm_s=40.0, **kept)
    assert replaced == pytest.approx([LAYERS[1], LAYERS[2], straight(10, 40)])


def test_first_layers_keep_speeds_and_nothing_else() -> None:
    kept = {"motion__first_layers__count": 2, "motion__first_layers__keep_commanded_speed": True}
    capped = layer_times_with(motion__speed_cap_mm_s=50.0, **kept)
    assert capped[0] == pytest.approx(2 * straight(100, 50) + straight(1, 50))


def test_a_count_without_keeping_changes_nothing() -> None:
    assert layer_times_with(motion__feed_override=2.0, motion__first_layers__count=2) == pytest.approx(
        layer_times_with(motion__feed_override=2.0)
    )


WHAT_IFS = [
    ({"motion__print_acceleration_mm_s2": 4000.0}, 2 * straight(100, 100, 4000) + LIFT),
    ({"motion__by_kind__print__print_acceleration_mm_s2": 250.0}, 2 * straight(100, 100, 250) + LIFT),
    ({"motion__travel_acceleration_mm_s2": 100.0}, 2 * LINE + straight(1, 100, 100)),
    ({"motion__speed_cap_mm_s": 20.0}, 2 * straight(100, 20) + straight(1, 20)),
    ({"motion__by_kind__print__speed_cap_mm_s": 20.0}, 2 * straight(100, 20) + LIFT),
    ({"axes__x__max_speed_mm_s": 30.0}, 2 * straight(100, 30) + LIFT),
    ({"axes__x__max_acceleration_mm_s2": 300.0}, 2 * straight(100, 100, 300) + LIFT),
    ({"axes__z__max_speed_mm_s": 5.0}, 2 * LINE + straight(1, 5)),
    ({"axes__e__max_speed_mm_s": 0.25}, 2 * straight(100, 25) + LIFT),  # 1 mm of filament on 100 mm
    (
        {"hotend__max_flow_mm3_s": 0.5, "filament__diameter_mm": (4 / 3.141592653589793) ** 0.5},
        2 * straight(100, 50) + LIFT,
    ),
    ({"axes__e__max_acceleration_mm_s2": 2.0}, 2 * straight(100, 100, 200) + LIFT),
]


@pytest.mark.parametrize(("settings", "first_layer"), WHAT_IFS)
def test_every_limit_in_the_first_layer(settings: dict[str, object], first_layer: float) -> None:
    assert layer_times_with(**settings)[0] == pytest.approx(first_layer)


# The smallest bent surface: every move rises or falls, so that its heights are those of no layer.
BENT = "M83\n" + "".join(f"G1 X{10 * (i % 2)} Y{i} Z{0.3 + 0.2 * (i % 2)} E1 F6000\n" for i in range(20))
FIRST = {"motion__first_layers__count": 1, "motion__first_layers__keep_commanded_speed": True}


def test_a_bent_surface_has_no_layers_to_cool() -> None:
    """Were each rise and fall a layer, 20 layers of 8 s would come to 160 s; it takes some 4 s."""
    timing = time_of(BENT, bench(cooling__shortest_layer_s=8.0))
    assert timing.cooling == 0.0
    assert timing.total == time_of(BENT, bench()).total
    assert 2.0 < timing.total < 6.0
    assert [notice.text for notice in timing.facts.notices if "[[layer]]" in notice.text]


def test_a_bent_surface_has_no_first_layers() -> None:
    slowed = time_of(BENT, bench(motion__feed_override=0.1)).total
    assert time_of(BENT, bench(motion__feed_override=0.1, **FIRST)).total == slowed
    assert slowed > 15.0


def test_a_priming_line_leaves_the_first_layer_its_speed() -> None:
    """Layer 1 is the priming line and what lies below it."""
    text = "M83\nG1 Z0.3\nG1 X100 E9 F6000\nG1 Z0.2\nG1 X0 E9\nG1 Z0.4\nG1 X100 E9\n"
    motion = time_of(text, bench(motion__feed_override=0.5, **FIRST)).layers.motion.tolist()
    assert motion[1:] == pytest.approx([2 * straight(100, 100) + 2 * straight(0.2, 100), straight(100, 50)], rel=0.05)
