"""Knobs: keys of the machine file, or their short names, with the values that a study tries; and the first value along
a range that meets a goal, looked for all over it, then narrowed down.

Every question of a search is asked for several values at once, because a batch of plans costs little more than one: a
bracket is cut into eight parts a round, not into two. (Root finders of scipy.optimize ask for one value after the
other, and for numbers where some questions have only yes and no; the tests use them as a second method.)
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Collection, Generator, Iterator, Sequence
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from typing import NamedTuple, TypeVar

import numpy as np

from kinematics.errors import InputError
from kinematics.jobs.many import Variant
from kinematics.machine import Machine, resolved_keys
from kinematics.machine.names import find_key, key_named

LARGEST = 1e9  # what a machine file takes
LEAST = 1e-9  # of limits, which are above 0
MOST_VALUES = 100_000  # of one knob
MOST_CANDIDATES = 1_000_000
ALLOWED = "KNOB=LOW:HIGH:COUNT, KNOB=LOW:HIGH:COUNTlog or KNOB=VALUE,VALUE,…"


Answer = TypeVar("Answer")
Point = tuple[float, ...]


class Knob(NamedTuple):
    """A name as the user gave it (a dotted key or a short name), and ascending values."""

    name: str
    values: tuple[float, ...]


def knob_from(text: str) -> Knob:
    """The knob of `KNOB=LOW:HIGH:COUNT`, with `log` after the count for equal ratios, or of `KNOB=1,2,5`.

    Raises InputError where the text is none.
    """
    name, equals, told = text.partition("=")
    name, told = name.strip(), told.strip()

    def wrong(found: str) -> InputError:
        return InputError.at("--vary", found, ALLOWED, "such as acceleration=500:5000:20")

    if not equals or not name or not told:
        raise wrong(f"can't read {text!r} as a knob and its values")
    parts = told.split(":")
    try:
        if len(parts) == 3:
            values = _between(parts)
        elif len(parts) == 1:
            values = [float(part) for part in told.split(",")]
        else:
            raise ValueError
    except (ValueError, OverflowError):
        raise wrong(f"can't read {told!r} as values of {name}") from None
    if not all(math.isfinite(value) for value in values):
        raise wrong(f"not every value in {told!r} is a number")
    return Knob(name, tuple(sorted(dict.fromkeys(values))))


def _between(parts: Sequence[str]) -> list[float]:
    low, high, count = float(parts[0]), float(parts[1]), parts[2].strip()
    logarithmic = count.endswith("log")
    number = int(count.removesuffix("log"))
    if number < 1 or number > MOST_VALUES or high < low or (logarithmic and low <= 0.0):
        raise ValueError
    if not math.isfinite(low + high):
        return [low, high]  # whose finding is the same as that of a list
    spaced = np.geomspace(low, high, number) if logarithmic else np.linspace(low, high, number)
    return [float(f"{value:.9g}") for value in spaced]


def check_knobs(knobs: Sequence[Knob], machine: Machine) -> None:
    """Raise InputError where two knobs turn the same key, the machine does not take a value, or there are too many."""
    seen: dict[str, str] = {}
    for knob in knobs:
        broken = [value for value in knob.values if not value.is_integer()]
        for value in (knob.values[0], knob.values[-1], *broken[:1]):  # keys have a range, or take whole numbers
            machine.with_settings({knob.name: value}, f"--vary {knob.name}")
        for key in resolved_keys({knob.name: knob.values[0]}, machine):
            if key in seen:
                raise InputError.at("--vary", f"{knob.name} and {seen[key]} turn the same key, {key}", "each key once")
            seen[key] = knob.name
    candidates = math.prod(len(knob.values) for knob in knobs)
    if candidates > MOST_CANDIDATES:
        raise InputError.at("--vary", f"{candidates:,} candidates", f"{MOST_CANDIDATES:,} at most", "--sample N")


def grid(knobs: Sequence[Knob]) -> Iterator[tuple[float, ...]]:
    """Every combination of the knobs' values, the last knob fastest."""
    return itertools.product(*(knob.values for knob in knobs))


def sample(knobs: Sequence[Knob], count: int, seed: int) -> list[tuple[float, ...]]:
    """So many points spread evenly over the knobs' ranges (Latin hypercube), the same for the same seed.

    The range of a knob is cut into `count` equal parts, equal ratios where its values have them, and each part is met
    once (M. McKay, R. Beckman, W. Conover, Technometrics 21(2), 1979; scipy.stats.qmc).
    """
    from scipy.stats import qmc

    points = qmc.LatinHypercube(d=len(knobs), rng=np.random.default_rng(seed)).random(count)
    columns = []
    for knob, share in zip(knobs, points.T, strict=True):
        low, high = knob.values[0], knob.values[-1]
        column = low * (high / low) ** share if is_logarithmic(knob.values) else low + (high - low) * share
        columns.append([float(f"{value:.9g}") for value in column])
    return list(zip(*columns, strict=True))


def is_logarithmic(values: Sequence[float]) -> bool:
    """Whether ascending values lie rather at equal ratios than at equal distances."""
    if len(values) < 3 or values[0] <= 0.0:
        return False
    middle = math.sqrt(values[0] * values[-1])
    return abs(values[len(values) // 2] - middle) < abs(values[len(values) // 2] - 0.5 * (values[0] + values[-1]))


def settings_of(knobs: Sequence[Knob], point: Sequence[float]) -> dict[str, float]:
    """A point as settings."""
    return {knob.name: value for knob, value in zip(knobs, point, strict=True)}


def variant_of(machine: Machine, settings: dict[str, float], origin: str = "--vary") -> Variant:
    """A machine with settings, and the keys that they touch, which win over limits stated in a job."""
    return Variant(*machine.changed(settings, origin))


def asked_where_it_differs(
    question: Callable[[Variant], Answer], machine: Machine, knobs: Sequence[Knob], apart_from: Collection[str]
) -> Callable[[Point], Answer]:
    """The answer to a question at any point of some knobs, asked once of points that differ in nothing it hangs on.

    `apart_from` parts of the limits (`Row.lifts`) on which it does not hang, nor on any key that lifts these alone.
    """
    keys = [resolved_keys({knob.name: knob.values[0]}, machine) for knob in knobs]
    told = [k for k, of_knob in enumerate(keys) if {key_named(key).row.lifts for key in of_knob} - {*apart_from}]
    known: dict[Point, Answer] = {}

    def answer(point: Point) -> Answer:
        differs = tuple(point[k] for k in told)
        if differs not in known:
            known[differs] = question(variant_of(machine, settings_of(knobs, point)))
        return known[differs]

    return answer


class KnobRange(NamedTuple):
    """What a machine takes for a knob: the least and the most that were found, and whether whole numbers only."""

    least: float
    most: float
    whole: bool

    def taken(self, value: float) -> float:
        """The value nearest to one that is asked for."""
        value = max(self.least, min(value, self.most))
        return float(max(1, round(value))) if self.whole else value


def range_of(machine: Machine, name: str, known: float) -> KnobRange:
    """What a machine takes for a knob, of which it is known to take one value.

    Keys of the machine file end at LARGEST or, shares of a whole, at 1; they begin at 0, at LEAST or below 0.
    """

    def takes(value: float) -> bool:
        try:
            machine.with_settings({name: value})
        except InputError:
            return False
        return True

    most = next((value for value in (LARGEST, 1.0) if value >= known and takes(value)), known)
    whole = float(known).is_integer() and not takes(known - 0.25 if known > 1.0 else 0.75)
    lows = (1.0,) if whole else (-LARGEST, 0.0, LEAST)
    least = next((value for value in lows if value <= known and takes(value)), known)
    return KnobRange(least, most, whole)


def present_value(machine: Machine, name: str) -> float | None:
    """What the machine has for a knob now; None where it has nothing, 1 for a factor on speed that is not given."""
    keys = sorted(resolved_keys({name: 1.0}, machine))
    value = machine.value_of(keys[0])
    if value is None and keys[0].endswith("feed_override"):
        return float(machine.motion.feed_override)
    return float(value) if isinstance(value, (int, float)) else None


def unit_of_knob(machine: Machine, name: str) -> str:
    """The unit of a knob as people write it, told by the end of its key or, for an axis's step, of its section.

    Empty where it has none, as a factor on speed.
    """
    key = find_key(sorted(resolved_keys({name: 1.0}, machine))[0])
    return key.unit if key is not None else ""


def outwards(value: float, digits: int, up: bool) -> float:
    """The next value up or down that has no more than so many digits."""
    if value == 0.0 or not math.isfinite(value):
        return value
    nearest = float(f"{value:.{digits - 1}e}")
    if math.isclose(nearest, value, rel_tol=1e-12):  # one of them already
        return nearest
    exponent = math.floor(math.log10(abs(value))) - digits + 1
    count = Decimal(value).scaleb(-exponent).to_integral_value(ROUND_CEILING if up else ROUND_FLOOR)
    return float(count.scaleb(exponent))


# Of ten: up to where a person counts in steps of so much.
TYPED_STEPS = ((2.0, 0.1), (5.0, 0.2), (10.0, 0.5))


def typed(value: float, up: bool) -> float:
    """The next value up or down that a person would type: 1, 1.1, … 2, 2.2, … 5, 5.5, … 10, or ten times these.

    Never more than a tenth away. 0 and negative values stay as they are.
    """
    if not 0.0 < value < math.inf:
        return value
    exponent = math.floor(math.log10(value))
    figure = value / 10.0**exponent
    step = next(step for end, step in TYPED_STEPS if figure <= end * (1.0 + 1e-12))
    count = figure / step
    whole = round(count)
    if not math.isclose(count, whole, rel_tol=1e-9):  # none of them already
        whole = math.ceil(count) if up else math.floor(count)
    return float(f"{whole * round(10 * step)}e{exponent - 1}")


Meets = Callable[[Sequence[float]], Sequence[bool]]
Asked = TypeVar("Asked")
Told = TypeVar("Told")
Found = TypeVar("Found")
OtherAsked = TypeVar("OtherAsked")
OtherTold = TypeVar("OtherTold")
# Asks several questions a round, is sent as many answers, and returns what it has found: so that many search in step.
Search = Generator[Sequence[Asked], Sequence[Told], Found]

PARTS = 8  # of a bracket each round: as many plans as one register holds, less one
MOST_ROUNDS = 400  # a range of floating-point numbers is cut up sooner


class Scale(NamedTuple):
    """How a range is cut: in equal ratios or in equal steps, and the ratio (above 1) or the step at which two values
    count as one; `whole` numbers only, of which no two count as one.
    """

    by_ratio: bool
    close: float
    whole: bool = False


class Bracket(NamedTuple):
    """Two values with the turn between them: one that misses (None: the first value meets the goal already), and one
    further on that meets it (None: no value does).
    """

    missed: float | None
    met: float | None


def spread(first: float, last: float, count: int, scale: Scale) -> list[float]:
    """So many values from first to last, both of them among these; either may be the larger one.

    In equal ratios a range may begin or end at 0: 0 itself, and the rest down to a millionth of the other end. Of whole
    numbers each stands once.
    """
    if count < 2 or first == last:
        return [first]
    if scale.by_ratio and (first == 0.0 or last == 0.0):
        least = 1e-6 * max(first, last)
        if first == 0.0:
            return [0.0, *spread(least, last, count - 1, scale)]
        return [*spread(first, least, count - 1, scale), 0.0]
    inside = [_at_share(first, last, k / (count - 1), scale) for k in range(1, count - 1)]
    return list(dict.fromkeys([first, *inside, last]))


def _at_share(first: float, last: float, share: float, scale: Scale) -> float:
    value = first * (last / first) ** share if scale.by_ratio else first + (last - first) * share
    return float(round(value)) if scale.whole else value


def first_met(values: Sequence[float], met: Sequence[bool]) -> Bracket:
    """The first of ordered values that meets the goal, and the one before it."""
    place = next((k for k, one in enumerate(met) if one), None)
    if place is None:
        return Bracket(values[-1], None)
    return Bracket(values[place - 1] if place else None, values[place])


def narrowing(bracket: Bracket, scale: Scale) -> Search[float, bool, Bracket]:
    """A bracket narrowed until its two ends count as one; a bracket without two ends as it is.

    Asks of values whether they meet the goal. What lies between two ends need not be monotone: the ends that are left
    miss and meet, whatever lies elsewhere. An end at 0 in equal ratios stays where it is.
    """
    for _ in range(MOST_ROUNDS):
        missed, met = bracket
        if missed is None or met is None or _is_close(missed, met, scale):
            break
        inside = [_at_share(missed, met, k / PARTS, scale) for k in range(1, PARTS)]
        inside = [value for value in dict.fromkeys(inside) if value not in (missed, met)]
        if not inside:
            break
        found = first_met(inside, (yield inside))
        bracket = Bracket(
            missed if found.missed is None else found.missed,
            met if found.met is None else found.met,
        )
    return bracket


def answered(search: Search[Asked, Told, Found], answer: Callable[[Sequence[Asked]], Sequence[Told]]) -> Found:
    """What a search finds that is answered round by round."""
    try:
        asked = next(search)
        while True:
            asked = search.send(answer(asked))
    except StopIteration as end:
        found: Found = end.value
        return found


def in_step(searches: Sequence[Search[Asked, Told, Found]]) -> Search[Asked, Told, list[Found]]:
    """Several searches as one: in every round what all of them ask that have not come to their end."""
    found: dict[int, Found] = {}
    answers: dict[int, Sequence[Told] | None] = dict.fromkeys(range(len(searches)))
    while True:
        asked: dict[int, Sequence[Asked]] = {}
        for k, told in answers.items():
            try:
                asked[k] = next(searches[k]) if told is None else searches[k].send(told)
            except StopIteration as end:
                found[k] = end.value
        if not asked:
            return [found[k] for k in range(len(searches))]
        rest = iter((yield [one for values in asked.values() for one in values]))
        answers = {k: list(itertools.islice(rest, len(values))) for k, values in asked.items()}


def put_otherwise(
    search: Search[Asked, Told, Found],
    ask: Callable[[Asked], OtherAsked],
    read: Callable[[OtherTold], Told],
) -> Search[OtherAsked, OtherTold, Found]:
    """A search with every question, and every answer to it, put in other terms."""
    try:
        asked = next(search)
        while True:
            answers = yield [ask(one) for one in asked]
            asked = search.send([read(one) for one in answers])
    except StopIteration as end:
        found: Found = end.value
        return found


def _is_close(missed: float, met: float, scale: Scale) -> bool:
    low, high = sorted((missed, met))
    if scale.whole:
        return high - low <= 1.0
    if scale.by_ratio:
        return low <= 0.0 or high / low <= scale.close
    return high - low <= scale.close


def first_value(meets: Meets, values: Sequence[float], scale: Scale) -> float | None:
    """The first value along a range that meets a goal, looked for at ordered values and narrowed down; None for none.

    Between two of the values that are looked at the question is taken to turn once.
    """
    return answered(narrowing(first_met(values, meets(values)), scale), meets).met


ONE_READING = 20  # plans that take as long, or so: a job in blocks is read for every question
USUALLY_ASKED = 900  # plans in one search, those readings among them
NEARLY_DONE = 0.99


class HowFar:
    """About how far a search is, by what others have taken."""

    def __init__(self, hear: Callable[[float], None]) -> None:
        """`hear` is told the share that is done, after every question."""
        self._hear, self._asked = hear, 0

    def asked(self, plans: int) -> None:
        """One question more, of so many plans, is answered."""
        self._asked += ONE_READING + plans
        self._hear(min(NEARLY_DONE, self._asked / USUALLY_ASKED))
