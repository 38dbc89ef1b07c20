"""The workers of a Dask cluster, and what it says when its scheduler or its workers are lost."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any

from kinematics.errors import InputError, LostWorkersError
from kinematics.fleet.crews import CrewElsewhere
from kinematics.fleet.kept_answers import KeptAnswers

if TYPE_CHECKING:
    import distributed

RETRIES = 2  # of a question that ended otherwise than with an answer
PATIENCE = 10.0  # s until a scheduler that does not answer at the beginning is taken for none
LONGEST_SILENCE = 60.0  # s that one with which work was going on may be too busy to answer


@contextmanager
def cluster(address: str, kept: KeptAnswers | None, tell: Callable[[str], None]) -> Iterator[CrewElsewhere]:
    """The workers of a Dask cluster, which gives a lost worker's work to another; `tell` is told once where there are
    none. Raises InputError.
    """
    if find_spec("distributed") is None:
        hint = 'pip install "kinematics[cluster]" installs it'
        raise InputError.at("--cluster", "the package distributed, which speaks with clusters, is missing", hint=hint)
    import distributed

    for name in ("distributed", *(one for one in logging.root.manager.loggerDict if one.startswith("distributed."))):
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)  # what goes wrong is told in a sentence of our own
    try:
        client = distributed.Client(address, timeout=PATIENCE, set_as_default=False)
    except (OSError, TimeoutError, ValueError):
        allowed = "the address of a Dask scheduler, such as tcp://192.168.0.5:8786"
        raise InputError.at("--cluster", f"no cluster answers at {address!r}", allowed) from None
    others = OnCluster(client, address, tell)
    try:
        others.look()
        yield CrewElsewhere(others, kept, others.lost, others.look)
    finally:
        client.close(timeout=1)


class OnCluster:
    """Workers behind a scheduler. Every future ends: with the answer, or with why there will be none.

    (The executor that the package itself offers leaves a future unanswered where the scheduler goes while an answer is
    on its way.)
    """

    def __init__(self, client: distributed.Client, address: str, tell: Callable[[str], None]) -> None:
        self._client, self._address, self._tell = client, address, tell
        self._told = False

    def submit(self, function: Callable[..., bytes], /, *more: Any) -> Future[bytes]:
        """Have a worker call a function. Raises what `lost` knows."""
        found: Future[bytes] = Future()
        asked = self._client.submit(function, *more, pure=False, retries=RETRIES)
        self._client.loop.add_callback(_pass_on, asked, found)
        return found

    def look(self) -> None:
        """Tell once where there are no workers. Raises LostWorkersError where the scheduler does not answer."""
        try:
            workers = self._client.nthreads(callback_timeout=LONGEST_SILENCE)
        except Exception as error:
            raise self.lost(error) or error from error
        if not workers and not self._told:
            self._told = True
            self._tell(f"the cluster has no workers: waiting for the first (dask worker {self._address})")

    def lost(self, error: BaseException) -> LostWorkersError | None:
        """What an error says about the cluster; None where it is none of its own."""
        from distributed import CancelledError
        from distributed.client import ClosedClientError
        from distributed.scheduler import KilledWorker

        if isinstance(error, KilledWorker):
            return LostWorkersError(
                "several workers ended over the same job, as where memory runs out; what is done is kept, and the same "
                "command goes on from there"
            )
        if isinstance(error, CancelledError | ClosedClientError | OSError | TimeoutError):
            return LostWorkersError(
                f"the scheduler of the cluster, {self._address}, has ended or cannot be reached any more; what is done "
                "is kept: start it and its workers again, and the same command goes on from there"
            )
        return None


async def _pass_on(asked: distributed.Future[bytes], found: Future[bytes]) -> None:
    """Have a future of ours end as one of the cluster does; in the loop of its client."""
    try:
        found.set_result(await asked)
    except BaseException as error:  # the loop would drop it
        found.set_exception(error)
