"""Who answers questions about jobs: this process, or others behind an executor, as processes of this machine."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, CancelledError, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from functools import partial
from multiprocessing import connection
from typing import Any, Protocol

from kinematics.compiled import CACHE_FOLDER, leave_linear_algebra_out
from kinematics.errors import LostWorkersError
from kinematics.fleet.asking import Answer, Question, Recipe, answer_of, answered, question_of, unpacked
from kinematics.fleet.kept_answers import KeptAnswers
from kinematics.studies.sweep_file import program_hash

KEPT_QUESTIONS = 16  # the last ones: a study asks all of its jobs the same
SILENCE = 10.0  # s without the answer that is waited for, until somebody looks whether the others are still there


Way = Callable[[], Answer]


class Crew(Protocol):
    """Whoever answers."""

    @property
    def is_here(self) -> bool:
        """Whether that is this process."""
        ...

    def ask(self, recipe: Recipe, key: str, function: Callable[..., Any], more: tuple[Any, ...]) -> Way:
        """Begin with a question about a job; the way to its answer. `key` is the recipe's."""
        ...


def once(way: Way) -> Way:
    """The way to an answer that is gone but once, whichever thread is first; an answer is then all that is kept."""
    lock = threading.Lock()
    found: list[Answer] = []
    ways = [way]

    def answer() -> Answer:
        with lock:
            if not found:
                found.append(ways[0]())
                ways.clear()
        return found[0]

    return answer


class CrewHere:
    """This process, job by job, as each is wanted: memory holds some of many jobs at a time."""

    is_here = True

    def ask(self, recipe: Recipe, key: str, function: Callable[..., Any], more: tuple[Any, ...]) -> Way:
        """The way to an answer, which is found when it is first wanted."""
        return once(partial(answer_of, key, recipe, function, more))


class Others(Protocol):
    """Those who work elsewhere, as a `concurrent.futures.Executor` does."""

    def submit(self, function: Callable[..., bytes], /, *more: Any) -> Future[bytes]:
        """Have one of them call a function. Raises what says that they are lost, or keeps it in the future."""
        ...


def lost_worker(error: BaseException) -> LostWorkersError | None:
    """What an error says about processes of this machine; None where it is none of theirs."""
    if not isinstance(error, BrokenExecutor | CancelledError | OSError):
        return None
    return LostWorkersError(
        "a worker ended before its time, as where memory runs out; what is done is kept, and the same command goes on "
        "from there"
    )


class CrewElsewhere:
    """Workers, and the answers of an earlier run of the same command."""

    is_here = False

    def __init__(
        self,
        others: Others,
        kept: KeptAnswers | None,
        lost: Callable[[BaseException], LostWorkersError | None] = lost_worker,
        look: Callable[[], None] = lambda: None,
    ) -> None:
        """`lost` what an error says about the others, `look` raises LostWorkersError where they do not answer."""
        self._others, self._kept, self._lost, self._look = others, kept, lost, look
        self._questions: OrderedDict[tuple[int, ...], Question] = OrderedDict()
        self._lock = threading.Lock()
        self.asked = 0  # questions that no earlier run has answered

    def ask(self, recipe: Recipe, key: str, function: Callable[..., Any], more: tuple[Any, ...]) -> Way:
        """Have a worker set to work, unless the answer is known; the way to it. Raises LostWorkersError."""
        question = self._question(function, more)
        whole = f"{program_hash()} {key} {question.key}"
        known = None if self._kept is None else self._kept.of(whole)
        if isinstance(known, Answer):
            return lambda: known
        with self._telling_of_loss():
            future = self._others.submit(answered, program_hash(), key, recipe, question.content)
        self.asked += 1
        if self._kept is not None:
            future.add_done_callback(partial(self._keep, whole))
        return once(partial(self._waited_for, future))

    def _waited_for(self, future: Future[bytes]) -> Answer:
        while not wait([future], SILENCE).done:
            self._look()
        with self._telling_of_loss():
            answer: Answer = unpacked(future.result())
        return answer

    @contextmanager
    def _telling_of_loss(self) -> Iterator[None]:
        try:
            yield
        except Exception as error:
            lost = self._lost(error)
            if lost is None:
                raise
            raise lost from error

    def _keep(self, key: str, future: Future[bytes]) -> None:
        """Keep an answer as soon as it is there, whoever waits for it."""
        if self._kept is not None and not future.cancelled() and future.exception() is None:
            self._kept.keep(key, future.result())

    def _question(self, function: Callable[..., Any], more: tuple[Any, ...]) -> Question:
        """A question packed; once where all jobs are asked the same."""
        parts = [part for one in more for part in (one if isinstance(one, list | tuple) else (one,))]
        same = (id(function), *map(id, parts))  # of what the questions that are kept hold, so that no other has it
        with self._lock:
            found = self._questions.get(same)
            if found is None:
                found = self._questions[same] = question_of(function, more)
            self._questions.move_to_end(same)
            while len(self._questions) > KEPT_QUESTIONS:
                self._questions.popitem(last=False)
        return found


@contextmanager
def processes(count: int, kept: KeptAnswers | None) -> Iterator[CrewElsewhere]:
    """Processes of this machine. What they have done is kept unless all is."""
    context = multiprocessing.get_context("spawn")
    others = {*multiprocessing.active_children()}
    executor = ProcessPoolExecutor(count, context, _begin_worker)
    try:
        yield CrewElsewhere(executor, kept)
    except BaseException:
        for worker in {*multiprocessing.active_children()} - others:
            worker.terminate()
        raise
    finally:
        executor.shutdown(wait=True, cancel_futures=True)


def _begin_worker() -> None:
    """Leave Ctrl-C to the process that asks, and end with it, however it ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    leave_linear_algebra_out()
    above = multiprocessing.parent_process()
    if above is not None:
        threading.Thread(target=_end_with, args=(above.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    connection.wait([sentinel])
    os._exit(1)


def kept_answers(name: str) -> KeptAnswers | None:
    """The answers of earlier runs of that name; None where there is no folder to keep them in that is ours alone."""
    try:
        return None if CACHE_FOLDER is None else KeptAnswers(CACHE_FOLDER / "answers", name)
    except OSError:
        return None
