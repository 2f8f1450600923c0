"""Long work beside the pages: one job at a time."""

import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from blindspoon.errors import Problem, TrialError

Moved = Callable[[int, int], None]
"""Is told how much of how much is done; raises where the job is to stop."""


class _StoppedError(Exception):
    """The host does not want the result any more."""


@dataclass(slots=True, kw_only=True)
class Job:
    """Work that goes on, or has ended.

    `kind` says what it does, in words. It has `ended` when it is done, was stopped or has failed:
    `result` is None then, and `problems` say why, or the `trouble` of a bug. `seen` is the
    fingerprint of the files that it works on.
    """

    kind: str
    folder: Path
    work: Callable[[Moved], object] = field(repr=False)
    done: int = 0
    of: int = 1
    ended: bool = False
    result: object = None
    problems: tuple[Problem, ...] = ()
    trouble: str = ""
    seen: str = ""
    stopping: threading.Event = field(default_factory=threading.Event)

    def moved(self, done: int, of: int) -> None:
        if self.stopping.is_set():
            raise _StoppedError
        self.done, self.of = done, of


class Jobs:
    """The one worker; the last job of each kind and folder is remembered."""

    def __init__(self) -> None:
        self._waiting: queue.SimpleQueue[Job] = queue.SimpleQueue()
        self._jobs: dict[tuple[str, Path], Job] = {}
        self._thread: threading.Thread | None = None
        self._lock = threading.Lock()

    def run(self, kind: str, folder: Path, work: Callable[[Moved], object], seen: str = "") -> Job:
        """Do some work when those before it have ended; one of this kind that runs is stopped."""
        with self._lock:
            self.stop(kind, folder)
            job = self._jobs[kind, folder] = Job(kind=kind, folder=folder, work=work, seen=seen)
            self._waiting.put(job)
            if self._thread is None:
                self._thread = threading.Thread(target=self._serve, daemon=True)
                self._thread.start()
            return job

    def last(self, kind: str, folder: Path) -> Job | None:
        return self._jobs.get((kind, folder))

    def stop(self, kind: str, folder: Path) -> None:
        if job := self.last(kind, folder):
            job.stopping.set()

    def _serve(self) -> None:
        while True:
            job = self._waiting.get()
            try:
                job.moved(0, 1)
                job.result = job.work(job.moved)
            except _StoppedError:
                pass
            except TrialError as error:
                job.problems = error.problems
            except Exception as error:  # a bug is shown on the page of the job
                job.trouble = f"{type(error).__name__}: {error}"
            job.ended = True
