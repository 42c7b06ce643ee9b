"""Photographs read by the workers of a Dask cluster.

Dask is spoken to directly.  joblib has a backend for it, but that waits for ever for a task whose
worker died, and when no worker is left runs the next task in this very process.
"""

from __future__ import annotations

from itertools import islice
from typing import TYPE_CHECKING

from .photographs import process_died

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from ..vision import Outcome

CONNECT_SECONDS = 10
AHEAD = 2  # photographs handed out for each thread of the cluster, so that none waits for more


def outcomes_from_cluster(
    address: str, calls: Iterable[Callable[[], Outcome]]
) -> Iterator[tuple[int, Outcome]]:
    """``(number, outcome)`` of each of *calls*, numbered from 0, as soon as it is there.

    A call whose workers die of it, as often as the cluster's ``allowed-failures`` and once more,
    becomes a refusal.

    Raises
    ------
    OSError
        If the scheduler at *address* cannot be reached, or has no workers.
    """
    from distributed import Client, KilledWorker, as_completed

    with Client(address, timeout=CONNECT_SECONDS) as client:
        try:
            client.wait_for_workers(1, timeout=CONNECT_SECONDS)
        except TimeoutError:
            raise OSError("it has no workers") from None
        coming = as_completed()
        numbers: dict[str, int] = {}
        numbered = enumerate(calls)

        def hand_out(count: int) -> None:
            for number, call in islice(numbered, count):
                future = client.submit(call, pure=False)
                numbers[future.key] = number
                coming.add(future)

        hand_out(AHEAD * sum(client.nthreads().values()))
        for future in coming:
            try:
                outcome = future.result()
            except KilledWorker:
                outcome = process_died()
            yield numbers.pop(future.key), outcome
            hand_out(1)
