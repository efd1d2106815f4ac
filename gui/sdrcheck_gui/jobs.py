"""Long actions beside the window: each in its own thread, with progress, a way to stop it, and one answer. No Qt."""

from __future__ import annotations

import errno
import logging
import queue
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

from sdrcheck.errors import SdrcheckError

T = TypeVar("T")

log = logging.getLogger(__name__)


class Stopped(Exception):
    """The user stopped an action; raised inside it, at its next word of progress."""


class Job:
    """One long action: what it is, how far it is, and whether it was told to stop."""

    def __init__(self, what: str) -> None:
        self.what = what
        self.step = ""
        self.part: float | None = None
        """From 0 to 1; None where nobody can tell."""
        self.held = False
        """It is at a step that must not be cut short."""
        self._stop = threading.Event()
        self._started = time.monotonic()

    @property
    def age_s(self) -> float:
        """How long it has been running."""
        return time.monotonic() - self._started

    def tell(self, part: float | None = None, step: str = "") -> None:
        """Say how far it is. Raises Stopped where the user wants no more of it."""
        self.part, self.step = part, step or self.step
        self.check()

    def check(self) -> None:
        """Raise Stopped where the user wants no more of it."""
        if self._stop.is_set():
            raise Stopped

    def wait_until(self, ready: Callable[[], bool], seconds: float, step: str) -> None:
        """Wait for something that takes about so many seconds. Raises Stopped."""
        started = time.monotonic()
        while not ready():
            self.tell(min((time.monotonic() - started) / max(seconds, 0.1), 1.0), step)
            self._stop.wait(0.05)

    @contextmanager
    def whole(self, step: str) -> Iterator[None]:
        """A step that is done wholly or not at all."""
        self.tell(None, step)
        self.held = True
        try:
            yield
        finally:
            self.held = False

    def stop(self) -> None:
        self._stop.set()

    @property
    def stopping(self) -> bool:
        return self._stop.is_set()


class Jobs:
    """All long actions that run now. Their answers are given out by `poll`, in the thread that calls it."""

    def __init__(self) -> None:
        self._running: dict[Job, threading.Thread] = {}
        self._answers: queue.SimpleQueue[tuple[Job, Callable[[], object], Callable[[str], object]]]
        self._answers = queue.SimpleQueue()

    def start(
        self,
        what: str,
        work: Callable[[Job], T],
        done: Callable[[T], object],
        failed: Callable[[str], object],
    ) -> Job:
        """Run `work` in a thread. `done` gets what it returns; `failed` one sentence why there is nothing."""
        job = Job(what)
        thread = threading.Thread(target=self._run, args=(job, work, done, failed), name=what, daemon=True)
        self._running[job] = thread
        thread.start()
        return job

    def _run(
        self,
        job: Job,
        work: Callable[[Job], Any],
        done: Callable[[Any], object],
        failed: Callable[[str], object],
    ) -> None:
        try:
            found = work(job)
        except Exception as problem:
            sentence = _why(job, problem)
            self._answers.put((job, lambda: failed(sentence), failed))
        else:
            self._answers.put((job, lambda: done(found), failed))

    def poll(self) -> None:
        """Give out the answers that have come since the last time."""
        while not self._answers.empty():
            job, answer, failed = self._answers.get_nowait()
            self._running.pop(job, None)
            try:
                answer()
            except Exception as problem:  # what is done with an answer may go wrong as well
                failed(_why(job, problem))

    @property
    def running(self) -> tuple[Job, ...]:
        return tuple(self._running)

    def stop(self, wait_s: float = 2.0) -> None:
        """Ask all to stop and wait a moment for them; their answers are let go."""
        deadline = time.monotonic() + wait_s
        for job in self._running:
            job.stop()
        for thread in list(self._running.values()):
            thread.join(max(deadline - time.monotonic(), 0.0))
        self._running.clear()
        while not self._answers.empty():
            self._answers.get_nowait()


def _why(job: Job, problem: Exception) -> str:
    """One sentence why an action gave nothing; a bug of ours must reach the user, and the window must stay."""
    if isinstance(problem, Stopped):
        return f"{job.what}: stopped."
    if isinstance(problem, SdrcheckError):
        return str(problem)
    if isinstance(problem, OSError):
        where = f" ({problem.filename})" if problem.filename else ""
        remedy = "; free some space" if problem.errno == errno.ENOSPC else ""
        return f"{problem.strerror or problem}{where}{remedy}"
    log.error("%s failed", job.what, exc_info=problem)
    return f"{job.what}: internal error, please report it: {type(problem).__name__}: {problem}"
