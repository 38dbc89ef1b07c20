"""The six sample jobs: what each part is, and with which settings it is printed."""

from __future__ import annotations

import math
from collections.abc import Callable

from printing import ONE_COPY, Copies, Print, Settings
from shapes import Comb, Loop, Point, comb, disc, hole, on_circle, rectangle, rounded_rectangle

BED_CENTRE: Point = (107.0, 112.0)


def bracket(copies: Copies = ONE_COPY) -> str:
    """A lamp bracket: a plate with two bolt holes, and a lug standing on it."""

    def plate(inset: float) -> list[Loop]:
        holes = [hole((BED_CENTRE[0] + x, BED_CENTRE[1]), 2.7, inset) for x in (-22.0, 22.0)]
        return [rounded_rectangle(BED_CENTRE, 64.0, 28.0, 6.0, inset), *holes]

    def lug(inset: float) -> list[Loop]:
        return [rounded_rectangle(BED_CENTRE, 9.0, 24.0, 2.5, inset)]

    settings = Settings(
        nozzle=235,
        bed=80,
        absolute_extruder=True,
        first_height=0.25,
        infill_share=0.25,
        chord_error=0.005,
        fan_by_course=((3, 102),),
    )
    job = Print(
        settings,
        "lamp bracket",
        [
            "Shows an everyday part: a plate of 20 layers with two bolt holes, and a lug of 50 more.",
            "Absolute extruder, E set to 0 in every layer.",
        ],
        copies,
    )
    for course in range(1, 71):
        if course <= 20:
            job.layer(plate, solid=course <= 4 or course > 16)
        else:
            job.layer(lug, solid=course > 66)
    return job.finish()


def test_cube(copies: Copies = ONE_COPY) -> str:  # noqa: PT028 a part, no test
    """A cube of 20 mm, the plainest part there is."""

    def square(inset: float) -> list[Loop]:
        return [rectangle(BED_CENTRE, 20.0, 20.0, inset)]

    job = Print(
        Settings(nozzle=210, bed=60, absolute_extruder=False, solid_speed=60.0),
        "20 mm test cube",
        [
            "Shows long straight roads and sharp corners: 100 layers of 0.2 mm, 2 perimeters, 3 solid layers",
            "below and above, 20 % infill. Relative extruder.",
        ],
        copies,
    )
    for course in range(1, 101):
        job.layer(square, solid=course <= 3 or course > 97)
    return job.finish()


def guide_rims(inset: float) -> list[Loop]:
    """Outlines of the cable guide: round channels along both sides, and five holes between them."""
    measures = Comb(channels=6, pitch=8.6, channel_radius=2.75, tooth_radius=1.75, spread=5.75)
    holes = [hole((BED_CENTRE[0] + k * measures.pitch, BED_CENTRE[1]), 1.7, inset) for k in range(-2, 3)]
    return [comb(BED_CENTRE, measures, inset), *holes]


def guide(settings: Settings, shows: list[str], copies: Copies = ONE_COPY) -> str:
    """A cable guide: brake and gear cables snap into round channels."""
    job = Print(settings, "cable guide", shows, copies)
    for course in range(1, 43):
        job.layer(guide_rims, solid=course <= 4 or course > 38)
    return job.finish()


def cable_guide(copies: Copies = ONE_COPY) -> str:
    """The cable guide with its curves cut into fine chords."""
    return guide(
        Settings(nozzle=210, bed=60, absolute_extruder=False),
        [
            "Shows many short curves, cut into chords that stray from them by 0.0025 mm at most, places rounded to",
            "0.001 mm. The same part as arcs is cable_guide_arcs.gcode. Relative extruder.",
        ],
        copies,
    )


def cable_guide_arcs() -> str:
    """The cable guide with its curves as arcs."""
    return guide(
        Settings(nozzle=210, bed=60, absolute_extruder=True, arcs=True),
        [
            "Shows arcs, G2 and G3 with I and J, whole circles among them. The same part in chords is",
            "cable_guide.gcode. Absolute extruder, E set to 0 in every layer.",
        ],
    )


def spiral_cup() -> str:
    """A cup for small bolts: a flat bottom, and a wall that is one climbing spiral.

    In the first turn the gap under the nozzle grows from nothing to one layer, in the last one it shrinks again under
    a level rim; both are written as steps of the road's height.
    """
    bottom_radius, wall_width, lean, turns, chords_a_turn, steps_a_turn = 25.0, 0.6, 0.1, 240, 160, 20
    settings = Settings(nozzle=215, bed=60, absolute_extruder=True, chord_error=0.005)

    def bottom(inset: float) -> list[Loop]:
        return [disc(BED_CENTRE, bottom_radius, inset)]

    job = Print(
        settings,
        "spiral cup",
        [
            "Shows a wall that climbs while it prints: a spiral of 240 turns and a level rim, on a bottom of 4 layers.",
            "Absolute extruder, E set to 0 in every layer of the bottom and once a turn.",
        ],
    )
    for _ in range(4):
        job.layer(bottom, solid=True)
    writer, floor = job.writer, settings.top_of(job.course)
    writer.retract()
    writer.line(f"; spiral wall from {floor:.2f} to {floor + turns * settings.height:.2f}")
    writer.zero_extruder()

    def on_wall(chord: int) -> tuple[float, float, float]:
        climbed = min(chord / chords_a_turn, turns) * settings.height
        radius = bottom_radius - wall_width / 2 + lean * climbed
        x, y = on_circle(BED_CENTRE, radius, math.pi / 2 + 2.0 * math.pi * chord / chords_a_turn)
        return x, y, floor + climbed

    writer.travel(*on_wall(0)[:2], settings.travel_speed)
    writer.restore()
    chords_a_step = chords_a_turn // steps_a_turn
    for chord in range((turns + 1) * chords_a_turn):
        turn, step = divmod(chord // chords_a_step, steps_a_turn)
        if chord % chords_a_turn == 0 and turn > 0:
            writer.zero_extruder()
        share = (step + 0.5) / steps_a_turn
        full = {0: share, turns: 1.0 - share}.get(turn, 1.0)
        writer.road("wall", wall_width, round(full * settings.height, 3), settings.outer_speed)
        writer.print_to(*on_wall(chord + 1))
    job.course += turns
    return job.finish()


def tall_pin(copies: Copies = ONE_COPY) -> str:
    """A valve-tool pin: a wide foot, a long thin shaft, a thinner tip."""

    def stage(radius: float) -> Callable[[float], list[Loop]]:
        return lambda inset: [disc(BED_CENTRE, radius, inset)]

    settings = Settings(
        nozzle=205,
        bed=60,
        absolute_extruder=False,
        chord_error=0.008,
        fan_by_course=((2, 255),),
    )
    job = Print(
        settings,
        "valve-tool pin",
        [
            "Shows layers of a few seconds, ruled by the time a layer needs to cool: a foot of 10 layers, a shaft of",
            "8 mm and a tip of 6 mm across, 300 layers in all, solid throughout. Relative extruder.",
        ],
        copies,
    )
    foot, shaft, tip = stage(8.0), stage(4.0), stage(3.0)
    for course in range(1, 301):
        job.layer(foot if course <= 10 else shaft if course <= 250 else tip, solid=True)
    return job.finish()


JOBS: dict[str, Callable[[], str]] = {
    "bracket.gcode": bracket,
    "test_cube.gcode": test_cube,
    "cable_guide.gcode": cable_guide,
    "cable_guide_arcs.gcode": cable_guide_arcs,
    "spiral_cup.gcode": spiral_cup,
    "tall_pin.gcode": tall_pin,
}
