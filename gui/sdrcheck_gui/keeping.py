"""Keeping what was heard: the last minutes, or one keying with what came before it. No Qt."""

from __future__ import annotations

import shutil
from datetime import timedelta
from pathlib import Path

from sdrcheck.cli.visit_options import now_utc
from sdrcheck.errors import SourceError, VisitError
from sdrcheck.recordings.utc import utc_moment
from sdrcheck.watching.journal import name_of
from sdrcheck.watching.memory import Keeping
from sdrcheck.watching.policy import Policy
from sdrcheck.watching.watch import LEAST_FREE_BYTES
from sdrcheck_gui.feed import Session
from sdrcheck_gui.jobs import Job
from sdrcheck_gui.keyings import Keying

LONGEST_S = Policy().longest_s
"""No more of one marked keying is kept, as in a watch."""
BEFORE_S = 2.0
"""Kept from before a keying: noise to measure against, and what was on the air just before."""
AFTER_S = 0.5


def free_name(base: Path) -> Path:
    """A name beside those that are taken."""
    number, chosen = 2, base
    while chosen.with_name(chosen.name + ".sigmf-meta").exists():
        chosen, number = base.with_name(f"{base.name}-{number}"), number + 1
    return chosen


def keep_memory(job: Job, session: Session, folder: Path) -> tuple[Path, float]:
    """Write all that is remembered; gives the recording and its length in seconds."""
    folder.mkdir(parents=True, exist_ok=True)
    first, last = session.memory_span_s
    base = free_name(folder / f"kept-{now_utc():%Y%m%dT%H%M%SZ}")
    return session.keep(base, first, last, tell=lambda part: job.tell(part, "writing")), last - first


def keep_marked(job: Job, session: Session, keying: Keying, folder: Path) -> Path:
    """Begin the recording of a marked keying; one that is still on the air is kept until it ends, or is very long."""
    folder.mkdir(parents=True, exist_ok=True)
    if refusal := no_room(folder):
        raise SourceError(refusal)
    start = session.facts.start_utc if session.facts is not None else None
    moment = now_utc() if start is None else utc_moment(start) + timedelta(seconds=keying.start_s)
    kind = keying.transmission.kind if keying.transmission is not None else "keying"
    begun = _begun(job, session, keying, folder / name_of(moment, keying.lane, kind), AFTER_S)
    keying.keeping, keying.settled = begun, False
    end_marked(keying)
    return begun.path


def end_marked(keying: Keying) -> None:
    """Let the recording of a marked keying end, where the keying has."""
    if keying.keeping is not None and keying.end_s is not None:
        keying.keeping.end_at(keying.end_s + AFTER_S)


def look_after(keying: Keying, now_s: float) -> str:
    """Let the recording of a marked keying end before the disk is full; a sentence where it is not the whole keying."""
    kept = keying.keeping
    if kept is None or keying.settled:
        return ""
    if kept.problem is not None:
        keying.keeping = None
        return f"The recording of {keying.lane} was cut: the disk refused ({kept.problem.strerror}); see {kept.path}"
    if kept.finished:
        keying.settled = True
        far_s = kept.start_s + LONGEST_S
        longer = now_s > far_s if keying.end_s is None else keying.end_s > far_s
        return f"Only the first {LONGEST_S:g} s of {keying.lane} are kept: {kept.path}" if longer else ""
    if keying.end_s is None and (refusal := no_room(kept.path.parent)):
        kept.end_at(now_s)
        keying.keeping = None
        return f"The recording of {keying.lane} was cut: {refusal}; see {kept.path}"
    return ""


def no_room(folder: Path) -> str:
    """Why a folder takes no more recordings; empty where it does."""
    try:
        free = shutil.disk_usage(folder).free
    except OSError as problem:
        return f"{folder} cannot be reached ({problem.strerror}); bring it back"
    return f"only {free / 1e6:.0f} MB are free in {folder}; free some space" if free < LEAST_FREE_BYTES else ""


def keep_keying(job: Job, session: Session, keying: Keying, base: Path, after_s: float = AFTER_S) -> Keeping:
    """Keep a keying that is over, or take the recording that was made of it; waits for what comes after it."""
    if keying.kept is not None:
        return keying.kept
    if keying.end_s is None:
        raise VisitError(f"{keying.lane} is still on the air; wait until the keying is over")
    base.parent.mkdir(parents=True, exist_ok=True)
    return waited_for(job, _begun(job, session, keying, base, after_s), after_s, "waiting for what comes after it")


def waited_for(job: Job, keeping: Keeping, seconds: float, step: str) -> Keeping:
    """Wait until a recording is whole. Raises VisitError where the disk refused; stopped, it ends where it is."""
    try:
        job.wait_until(lambda: keeping.finished, seconds, step)
    except BaseException:
        keeping.finish("stopped")
        raise
    if keeping.problem is not None:
        reason = keeping.problem.strerror or str(keeping.problem)
        raise VisitError(f"{keeping.path} is cut short, the disk refused ({reason}); free some space and keep it again")
    return keeping


def _begun(job: Job, session: Session, keying: Keying, base: Path, after_s: float) -> Keeping:
    first_s = max(keying.start_s - BEFORE_S, session.memory_span_s[0])
    end_s = first_s + LONGEST_S if keying.end_s is None else keying.end_s + after_s
    words = f"channel {keying.lane}, {keying.label}"

    def tell(part: float) -> None:
        job.tell(part, "keeping its samples")

    return session.keep_from(free_name(base), first_s, end_s, words, tell)
