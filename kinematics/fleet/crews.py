"""Who answers questions about jobs: this process, others on this machine, or the workers of a Dask cluster."""

from __future__ import annotations

import logging
import multiprocessing
import os
import signal
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from functools import partial
from importlib.util import find_spec
from multiprocessing import connection
from typing import Any, Protocol

from kinematics.compiled import CACHE_FOLDER, leave_linear_algebra_out
from kinematics.errors import InputError, LostWorkersError
from kinematics.fleet.asking import Answer, Question, Recipe, answer_of, answered, question_of, unpacked
from kinematics.fleet.kept_answers import KeptAnswers
from kinematics.studies.sweep_file import program_hash

KEPT_QUESTIONS = 16  # the last ones: a study asks all of its jobs the same
RETRIES = 2  # of a question that ended otherwise than with an answer
PATIENCE = 10.0  # s until a cluster that does not answer is taken for none


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


class CrewElsewhere:
    """Workers behind an executor, and the answers of an earlier run of the same command."""

    is_here = False

    def __init__(self, executor: Executor, kept: KeptAnswers | None) -> None:
        self._executor, self._kept = executor, kept
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
        try:
            future = self._executor.submit(answered, program_hash(), key, recipe, question.content)
        except (BrokenExecutor, RuntimeError, OSError) as error:
            raise _lost(error) from None
        self.asked += 1
        if self._kept is not None:
            future.add_done_callback(partial(self._keep, whole))
        return once(partial(_waited_for, future))

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


def _waited_for(future: Future[bytes]) -> Answer:
    try:
        answer: Answer = unpacked(future.result())
    except (BrokenExecutor, CancelledError, OSError, TimeoutError) as error:
        raise _lost(error) from None
    except Exception as error:
        if type(error).__module__.partition(".")[0] == "distributed":
            raise _lost(error) from None
        raise
    return answer


def _lost(error: BaseException) -> LostWorkersError:
    return LostWorkersError(
        "a worker ended before its time, as where memory runs out; what is done is kept, and the same command goes on "
        f"from there ({type(error).__name__})"
    )


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


@contextmanager
def cluster(address: str, kept: KeptAnswers | None) -> Iterator[CrewElsewhere]:
    """The workers of a Dask cluster, which give a lost worker's work to another. Raises InputError."""
    if find_spec("distributed") is None:
        hint = 'pip install "kinematics[cluster]" installs it'
        raise InputError.at("--cluster", "the package distributed, which speaks with clusters, is missing", hint=hint)
    from distributed import Client

    logging.getLogger("distributed").setLevel(logging.CRITICAL)  # what goes wrong is told in a sentence of our own
    try:
        client = Client(address, timeout=PATIENCE, set_as_default=False)
    except (OSError, TimeoutError, ValueError):
        allowed = "the address of a Dask scheduler, such as tcp://192.168.0.5:8786"
        raise InputError.at("--cluster", f"no cluster answers at {address!r}", allowed) from None
    try:
        yield CrewElsewhere(client.get_executor(pure=False, retries=RETRIES), kept)
    finally:
        client.close(timeout=1)


def kept_answers(name: str) -> KeptAnswers | None:
    """The answers of earlier runs of that name; None where there is no folder to keep them in that is ours alone."""
    try:
        return None if CACHE_FOLDER is None else KeptAnswers(CACHE_FOLDER / "answers", name)
    except OSError:
        return None
