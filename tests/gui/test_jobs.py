"""Long actions: one answer each, in the asker's thread; stopped ones say so; no failure is silent."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

import pytest

from sdrcheck.errors import VisitError
from sdrcheck_gui.jobs import Job, Jobs


def answered(work: Callable[[Job], object], stop: bool = False) -> tuple[list[object], list[str]]:
    jobs, done, failed = Jobs(), [], []  # type: ignore[var-annotated]
    job = jobs.start("Trying", work, done.append, failed.append)
    if stop:
        job.stop()
    deadline = time.monotonic() + 5
    while jobs.running and time.monotonic() < deadline:
        jobs.poll()
        time.sleep(0.005)
    return done, failed


def test_an_answer_comes_once_and_in_the_thread_that_asks() -> None:
    threads: list[threading.Thread] = []
    jobs = Jobs()
    jobs.start("Trying", lambda job: 42, lambda found: threads.append(threading.current_thread()), print)
    while jobs.running:
        jobs.poll()
    assert threads == [threading.current_thread()]


@pytest.mark.parametrize(
    ("problem", "said"),
    [
        (VisitError("the file is damaged; look at it"), "the file is damaged; look at it"),
        (OSError(28, "No space left on device", "/x"), "No space left on device (/x); free some space"),
        (KeyError("x"), "Trying: internal error, please report it: KeyError: 'x'"),
    ],
)
def test_every_failure_is_one_sentence(problem: Exception, said: str) -> None:
    def work(job: Job) -> None:
        raise problem

    assert answered(work) == ([], [said])


def test_a_stopped_action_says_so_and_gives_nothing() -> None:
    def work(job: Job) -> None:
        for part in range(1000):
            job.tell(part / 1000)
            time.sleep(0.005)

    assert answered(work, stop=True) == ([], ["Trying: stopped."])


def test_closing_stops_what_runs_and_lets_its_answer_go() -> None:
    jobs = Jobs()
    jobs.start("Waiting", lambda job: job.wait_until(lambda: False, 60, "waiting"), pytest.fail, pytest.fail)
    jobs.stop()
    jobs.poll()
    assert jobs.running == ()


@pytest.mark.parametrize(
    ("problem", "said"),
    [
        (VisitError("the visit's file cannot be read; mend it"), "the visit's file cannot be read; mend it"),
        (KeyError("x"), "Trying: internal error, please report it: KeyError: 'x'"),
    ],
)
def test_what_goes_wrong_with_an_answer_is_told_as_well(problem: Exception, said: str) -> None:
    jobs, failed = Jobs(), []  # type: ignore[var-annotated]

    def done(_: object) -> None:
        raise problem

    jobs.start("Trying", lambda job: 1, done, failed.append)
    while jobs.running:
        jobs.poll()
    assert failed == [said]
