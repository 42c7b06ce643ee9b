"""Photographs through the reader, one or many, whatever happens inside it."""

from __future__ import annotations

import os
import re
import time
from contextlib import nullcontext
from dataclasses import asdict, dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

from ..vision import Outcome, Reason, Refusal
from .threads import opencv_in_one_thread

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from pathlib import Path


# Names that annotated pictures get (see `pictures`).  `read *.jpg` after a check meets them, and a
# picture with lines drawn over it must not be read as if it were a photograph.
ANNOTATED = re.compile(r".+\.(check|read)(-\d+)?\.jpg")


def read_outcome(
    photo: Path,
    *,
    capacity_ml: float | None = None,
    interval_ml: float | None = None,
    debug: bool = False,
) -> Outcome:
    """The reader's answer for *photo*; an error inside the reader becomes a refusal.

    An annotated picture of ours is refused by its name.

    One photograph that brings the reader down must not take the others of a batch with it, and
    must not look like a reading either.  With *debug* the error is raised as it is.
    """
    from ..vision import read_photo

    if ANNOTATED.fullmatch(photo.name):
        return Refusal(
            (
                Reason(
                    "not-an-image",
                    "This is an annotated picture, not a photograph.",
                    "Give the photograph that it was made from.",
                ),
            )
        )
    try:
        return read_photo(photo, capacity_ml=capacity_ml, interval_ml=interval_ml)
    except Exception as error:
        if debug:
            raise
        return _failed(f"{type(error).__name__}: {' '.join(str(error).split())[:200]}")


def _failed(why: str) -> Refusal:
    return Refusal(
        (
            Reason(
                "internal-error",
                f"The program failed on this photograph ({why}).",
                "Report it with the photograph; --debug shows where.",
            ),
        )
    )


def usable_cpus() -> int:
    """How many processors this process may use, which a container or a job may have fewer of."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@dataclass(frozen=True)
class Task:
    """A photograph to read, and what is known of its syringe, mL."""

    photo: Path
    capacity_ml: float | None = None
    interval_ml: float | None = None


def read_outcomes(
    photos: Sequence[Path],
    *,
    jobs: int | None = None,
    capacity_ml: float | None = None,
    interval_ml: float | None = None,
    debug: bool = False,
) -> Iterator[Outcome]:
    """`read_outcome` for each of *photos*, in their order, each as soon as it is due.

    *jobs* as for `outcomes_as_done`.
    """
    early: dict[int, Outcome] = {}
    due = 0
    jobs = enough_jobs(jobs, len(photos))
    tasks = (Task(photo, capacity_ml, interval_ml) for photo in photos)
    for number, outcome in outcomes_as_done(tasks, jobs, debug=debug):
        early[number] = outcome
        while due in early:
            yield early.pop(due)
            due += 1


def enough_jobs(jobs: int | None, count: int) -> int | None:
    """*jobs*, or fewer if they are enough for *count* photographs.

    Two are not made one for a single photograph: this process would read it, and may die of it.
    """
    if count == 0:
        return None  # there is no process to start
    if jobs is None or jobs == 1:
        return jobs
    return min(jobs, max(2, count))


def outcomes_as_done(
    tasks: Iterable[Task],
    jobs: int | None = None,
    *,
    dask: str | None = None,
    debug: bool = False,
) -> Iterator[tuple[int, Outcome]]:
    """``(number, outcome)`` of each of *tasks*, numbered from 0, each as soon as it is there.

    Without *jobs* this process reads with all the threads that the libraries take, with 1 it keeps
    OpenCV to one (for linear algebra see `threads`).  With *jobs* above 1, so many processes of one
    thread each read at once; with *dask*, the address of a scheduler, the workers of that cluster
    do.  *tasks* is gone through only as far as it is needed.

    A photograph that kills a process other than this one becomes a refusal like any other error,
    and takes no other with it.

    Raises
    ------
    OSError
        If the cluster cannot be reached.
    """
    if dask is not None:
        from .cluster import outcomes_from_cluster

        # its workers have working folders of their own
        there = (replace(task, photo=task.photo.absolute()) for task in tasks)
        yield from outcomes_from_cluster(
            dask, (partial(_read_in_worker, read_outcome, task, debug) for task in there)
        )
    elif jobs is not None and jobs > 1:
        yield from _outcomes_from_processes(tasks, jobs, debug)
    else:
        with nullcontext() if jobs is None else opencv_in_one_thread():
            for number, task in enumerate(tasks):
                yield number, _read(read_outcome, task, debug)


def _outcomes_from_processes(
    tasks: Iterable[Task], jobs: int, debug: bool
) -> Iterator[tuple[int, Outcome]]:
    """As `outcomes_as_done`, for *jobs* above 1.

    All that were being read when a process died are read again, each by itself: that tells whose
    fault it was, and gives each the whole memory.
    """
    from concurrent.futures import BrokenExecutor

    from joblib import parallel_config

    numbered = enumerate(tasks)
    sent: dict[int, Task] = {}

    def feed() -> Iterator[tuple[int, Task]]:
        for number, task in numbered:
            sent[number] = task
            yield number, task

    ours = {"initializer": _settle_in, "initargs": (os.getpid(),)}
    with parallel_config("loky", n_jobs=jobs, inner_max_num_threads=1, **ours):
        finished = False
        while not finished:
            try:
                for number, outcome in _in_parallel(feed(), debug):
                    del sent[number]
                    yield number, outcome
                finished = True
            except BrokenExecutor:
                pass
            for number in sorted(sent):
                try:
                    ((_, outcome),) = _in_parallel([(number, sent.pop(number))], debug)
                except BrokenExecutor as error:
                    outcome = process_died(_exit_codes(error))
                yield number, outcome


def _in_parallel(tasks: Iterable[tuple[int, Task]], debug: bool) -> Iterator[tuple[int, Outcome]]:
    from joblib import Parallel, delayed

    # batches of one: answers are wanted one by one, and each takes seconds anyway
    parallel = Parallel(return_as="generator_unordered", batch_size=1)
    call = delayed(_read_numbered)
    # `read_outcome` travels as an argument, so that what a test puts in its place does too
    return parallel(call(read_outcome, number, task, debug) for number, task in tasks)


def _exit_codes(error: BaseException) -> str:
    """How the dead processes ended, as joblib tells it, e.g. ``SIGKILL(-9)``, or nothing."""
    codes = re.search(r"exit codes of the workers are \{(.+)\}", str(error))
    return codes[1] if codes else ""


def process_died(exit_codes: str = "") -> Refusal:
    """The answer for a photograph whose process ended before it had one."""
    how = f", exit code {exit_codes}" if exit_codes else ""
    if "SIGKILL" in exit_codes:
        how += ": probably memory ran out"
    return _failed(f"its process ended without an answer{how}")


def _settle_in(parent: int) -> None:
    """In a new process of ours: leave Ctrl-C to the *parent*, and end when that is gone."""
    import signal
    from threading import Thread

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if os.name == "posix":  # elsewhere a process keeps the parent's number, or never has it

        def watch() -> None:
            while os.getppid() == parent:
                time.sleep(1)
            os._exit(1)  # killed, it could not tell us; nobody waits for what is read here

        Thread(target=watch, daemon=True).start()


def _read_numbered(
    read: Callable[..., Outcome], number: int, task: Task, debug: bool
) -> tuple[int, Outcome]:
    return number, _read_in_worker(read, task, debug)


def _read_in_worker(read: Callable[..., Outcome], task: Task, debug: bool) -> Outcome:
    import cv2

    cv2.setNumThreads(1)  # the others have the other processors
    return _read(read, task, debug)


def _read(read: Callable[..., Outcome], task: Task, debug: bool) -> Outcome:
    return read(task.photo, capacity_ml=task.capacity_ml, interval_ml=task.interval_ml, debug=debug)


def refusal_sentence(refusal: Refusal) -> str:
    """What is wrong and what to do, as one sentence a reason.

    >>> refusal_sentence(Refusal((Reason("glare", "A reflection hides it.", "Move the lamp."),)))
    'A reflection hides it: move the lamp.'
    """
    return reasons_sentence([asdict(reason) for reason in refusal.reasons])


def reasons_sentence(reasons: Sequence[Mapping[str, str]]) -> str:
    """As `refusal_sentence`, of the reasons in the machine-readable form."""
    return " ".join(
        f"{reason['message'].rstrip('.')}: {reason['remedy'][:1].lower()}{reason['remedy'][1:]}"
        for reason in reasons
    )
