"""Corners of small paths drawn at random, each number by the slow twin's geometry, and of paths that come in parts."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray

from kinematics.gcode.moves import Moves
from kinematics.limits import columns as by
from kinematics.machine.mechanisms import CrossedBelt
from kinematics.planner import corners, features
from kinematics.planner.corners import NOTHING_BEFORE, WINDOW_SLACK
from kinematics.planner.cuts import before_run, last_known, lead_in
from kinematics.planner.features import RULE_OFF, CornerSettings, Drive, Features, make_features
from tests.naive.planner_ceilings import length_of
from tests.naive.planner_motors import places_of
from tests.naive.planner_records import NaiveLimits, NaiveMove
from tests.naive.planner_twin import curve_radius, governing_turn, runs_of, stretches
from tests.naive.random_paths import to_moves
from tests.naive.turns import deviation_radius, over, sum_of, turn_between

Reals = NDArray[np.float64]
EXACT = 1e-6  # relative: small turns from differences of directions
SAME = 1e-6  # rad


def drawn_path(seed: int, moves: int = 24) -> list[NaiveMove]:
    """Runs of one to three pieces, some short, gently and sharply turned; at times a stop or a retraction."""
    rng = np.random.default_rng(seed)
    job: list[NaiveMove] = []
    direction = rng.normal(size=3)
    while len(job) < moves:
        if rng.random() < 0.08:
            job.append(NaiveMove(de=float(rng.choice([-0.8, 0.5])), kind="filament"))
        sharp = rng.choice([0.02, 0.3, 2.0])
        direction = direction / np.linalg.norm(direction) + sharp * rng.normal(size=3) * (1.0, 1.0, rng.random() < 0.3)
        # Whole steps of a direction: pieces of one run are so exactly.
        whole = np.round(direction / np.linalg.norm(direction) * 4096.0)
        for _ in range(rng.choice([1, 1, 2, 3])):
            scale = 2.0 ** float(rng.choice([-18.0, -17.0, -15.0, -13.0, -12.0, -10.0]))
            x, y, z = (whole * scale).tolist()
            kind, filament = ("print", 0.05) if rng.random() < 0.7 else ("travel", 0.0)
            stop = bool(job) and rng.random() < 0.06
            filament *= float(math.hypot(x, y, z) * rng.choice([1.0, 1.0, -0.7]))
            job.append(NaiveMove(x, y, z, filament, 60.0, kind, stop_before=stop))
    return job


class Corner(NamedTuple):
    """What the slow twin finds at a node: numbers of a corner, and how much each axis and the filament change."""

    sharpness: float
    curvature: float
    normal: tuple[float, float, float]
    turn: tuple[float, float, float]
    change: float
    ratio_change: float


NO_CORNER = Corner(0.0, 0.0, (0.0,) * 3, (0.0,) * 3, 0.0, 0.0)


def naive_corners(job: list[NaiveMove], settings: CornerSettings) -> Iterator[tuple[int, Corner]]:
    """The corners of a path at every node but those where it rests."""
    lengths = [length_of(move) for move in job]
    for stretch in stretches(job):
        if job[stretch.start].kind == "filament":
            continue
        for node in stretch[1:]:
            ratio = abs(job[node].de / lengths[node] - job[node - 1].de / lengths[node - 1])
            yield node, NO_CORNER._replace(ratio_change=ratio)
        runs = runs_of(stretch, job, SAME)
        vectors = [sum_of([job[i].displacement for i in run]) for run in runs]
        sizes = [math.fsum(lengths[i] for i in run) for run in runs]
        for corner in range(1, len(runs)):
            node = runs[corner].start
            own = turn_between(job[node - 1].displacement, job[node].displacement)
            widest = governing_turn(corner, runs, job, settings.short_run - WINDOW_SLACK, (0.0, 0.0, 0.0))
            curved = settings.curve_window >= 0.0
            radius = curve_radius(corner, vectors, sizes, settings.curve_window) if curved else math.inf
            yield (
                node,
                Corner(
                    over(1.0, deviation_radius(widest, 1.0)),
                    over(1.0, radius),
                    widest.normal,
                    own.change,
                    2.0 * math.sin(0.5 * own.angle),
                    abs(job[node].de / lengths[node] - job[node - 1].de / lengths[node - 1]),
                ),
            )


def close(found: float, expected: float) -> bool:
    return math.isclose(found, expected, rel_tol=EXACT, abs_tol=1e-9)


SETTINGS = (
    CornerSettings(), CornerSettings(0.0), CornerSettings(2.0, 0.3), CornerSettings(RULE_OFF, 0.3, False),
    CornerSettings(0.6, 0.0),
)  # fmt: skip


@pytest.mark.parametrize("coupled", [False, True])
@pytest.mark.parametrize("settings", SETTINGS)
def test_corners_are_those_of_the_twin(
    settings: CornerSettings, coupled: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Under every rule, in blocks of seven moves; on crossed belts with the motors' part in moves and corners."""
    for module in (corners, features):
        monkeypatch.setattr(module, "BLOCK", 7)
    for seed in range(8):
        job = drawn_path(seed + 100 * coupled)
        moves = to_moves(job)
        places = np.array(places_of(job, NaiveLimits())).T
        drive = Drive(CrossedBelt(), places) if coupled else None
        found = make_features(moves, np.zeros(len(job), np.uint16), settings, drive)
        expected = dict.fromkeys(range(len(job)), NO_CORNER) | dict(naive_corners(job, settings))
        for node, corner in expected.items():
            told = f"seed {seed}, node {node}"
            assert close(found.sharpness[node], corner.sharpness), told
            assert close(found.curvature[node], corner.curvature), told
            for axis, value in zip("xyz", corner.normal, strict=True):
                assert close(getattr(found, f"corner_{axis}")[node], abs(value)), told
            assert close(found.change[node], corner.change), told
            assert close(found.ratio_change[node], corner.ratio_change), told
            if settings.turns:
                assert np.allclose(found.turn[:, node], np.abs(corner.turn), rtol=EXACT, atol=1e-9), told
            if coupled:
                x, y, _ = corner.normal
                assert np.allclose(found.motor_corner[:, node], [abs(x + y), abs(x - y)], rtol=EXACT, atol=1e-9), told
        for i, move in enumerate(job):
            size = length_of(move)
            shares = [abs(step) / size for step in move.displacement]
            assert close(found.length[i], size)
            assert close(found.pace[i], 1.0 / move.speed)
            assert np.allclose([found.x[i], found.y[i], found.z[i], found.ratio[i]], [*shares, abs(move.de) / size])
            if coupled:
                both = move.dx / size + move.dy / size, move.dx / size - move.dy / size
                assert np.allclose(found.motor[:, i], np.abs(both))
        rests = {stretch.start for stretch in stretches(job)} | {len(job)}
        assert set(np.flatnonzero(found.rest).tolist()) == rests


def part_of(moves: Moves, begin: int, end: int) -> Moves:
    return Moves._make(column[begin:end] for column in moves)


@pytest.mark.parametrize("settings", SETTINGS[:3])
def test_parts_of_a_path_have_the_corners_of_the_whole(settings: CornerSettings) -> None:
    """What lies before the lead-in is forgotten but for its run's start; up to what is known all is the same.

    A straight in forty pieces stands at either end, so that runs have begun long ago, or do not end.
    """
    sight = by.furthest([by.nearby_runs(settings.around(None)), by.curve_window(settings.around(None))])
    straight = [NaiveMove(0.25, 0.125, 0.0625, 0.01, 60.0)] * 40

    def features_at(moves: Moves, begin: int, end: int, before: corners.Before) -> Features:
        return make_features(part_of(moves, begin, end), np.zeros(end - begin, np.uint16), settings, before=before)

    for seed in range(200, 208):
        rng = np.random.default_rng(seed)
        moves = to_moves([*drawn_path(seed, 8), *straight, *drawn_path(seed + 50, 16), *straight[:9]])
        n = moves.dx.size
        whole = features_at(moves, 0, n, NOTHING_BEFORE)
        begin, node, before = 0, 0, NOTHING_BEFORE
        for end in np.sort(rng.choice(np.arange(2, n), 12, replace=False)).tolist():
            found = features_at(moves, begin, end, before)
            known = begin + last_known(found, sight)
            if known <= node:
                continue
            for name in ("sharpness", "curvature", "corner_x", "corner_y", "corner_z", "change", "ratio_change"):
                fast, slow = getattr(found, name), getattr(whole, name)
                fast, slow = fast[node + 1 - begin : known + 1 - begin], slow[node + 1 : known + 1]
                assert np.allclose(fast, slow, rtol=1e-9, atol=1e-12), f"seed {seed}: {name}"
            node = int(rng.integers(node, known + 1))
            first = lead_in(found, node - begin, sight)
            before = before_run(found, part_of(moves, begin, end), first, before)
            begin += first
        assert node > 20
