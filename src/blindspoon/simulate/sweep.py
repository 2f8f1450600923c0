"""Independent jobs, spread over the cores: the one sweep of sizing and of calibration."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Literal, TypeVar

from joblib import Parallel, delayed  # type: ignore[import-untyped]

Found = TypeVar("Found")
Progress = Callable[[int, int], None]
"""Called with the jobs done and their number, first with 0."""


def sweep(
    work: Callable[..., Found],
    jobs: Sequence[tuple[Any, ...]],
    n_jobs: int | None,
    progress: Progress | None,
    prefer: Literal["threads", "processes"] = "processes",
) -> list[Found]:
    """Do every job, and give what was found in the order of the jobs.

    Parameters
    ----------
    work : callable
        Called with what a job holds; its draws may depend on nothing else.
    jobs : sequence of tuple
        The longest first.
    n_jobs : int or None
        Workers, as joblib counts them.
    progress : callable or None
    prefer : {"processes", "threads"}
        Threads where the work is in numpy, which lets them run at once, and not much longer than
        a process takes to start. What an enclosing ``joblib.parallel_config`` says comes first.
    """
    done = progress or (lambda _done, _all: None)
    done(0, len(jobs))
    found = []
    workers = Parallel(n_jobs=n_jobs, prefer=prefer, return_as="generator")
    for result in workers(delayed(work)(*job) for job in jobs):
        found.append(result)
        done(len(found), len(jobs))
    return found
