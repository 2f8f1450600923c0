"""Long work beside the pages: one job at a time."""

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

    def run(self, work: Callable[[Moved], object], turn: threading.Lock) -> None:
        """Do it when it is its turn."""
        with turn:
            try:
                self.moved(0, 1)
                self.result = work(self.moved)
            except _StoppedError:
                pass
            except TrialError as error:
                self.problems = error.problems
            except Exception as error:  # a bug is shown on the page of the job
                self.trouble = f"{type(error).__name__}: {error}"
            self.ended = True


class Jobs:
    """One works at a time; the last job of each kind and folder is remembered."""

    def __init__(self) -> None:
        self._jobs: dict[tuple[str, Path], Job] = {}
        self._turn, self._lock = threading.Lock(), threading.Lock()

    def run(self, kind: str, folder: Path, work: Callable[[Moved], object], seen: str = "") -> Job:
        """Do some work when those before it have ended; one of this kind that runs is stopped."""
        with self._lock:
            self.stop(kind, folder)
            job = self._jobs[kind, folder] = Job(kind=kind, seen=seen)
        threading.Thread(target=job.run, args=[work, self._turn], daemon=True).start()
        return job

    def last(self, kind: str, folder: Path) -> Job | None:
        return self._jobs.get((kind, folder))

    def stop(self, kind: str, folder: Path) -> None:
        if job := self.last(kind, folder):
            job.stopping.set()
