"""The unattended watch: engine, rolling memory, and each wanted keying kept with what came before it."""

from __future__ import annotations

import itertools
import shutil
import time
from collections import deque
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from sdrcheck.bench import (
    Event,
    Finished,
    Settings,
    SourceFault,
    TransmissionEnded,
    TransmissionStarted,
    in_doubt,
    run,
)
from sdrcheck.errors import RecordingError, SdrcheckError, SourceError
from sdrcheck.findings.inspection import Inspection, Kind, RecordingFacts, ReferenceFacts, Transmission
from sdrcheck.findings.wording import format_place, format_reading
from sdrcheck.recordings.recording import open_recording
from sdrcheck.recordings.sigmf import DATA, META, base_of
from sdrcheck.recordings.utc import utc_moment, utc_now, utc_text
from sdrcheck.sources.source import IqBlock, IqSource, SourceFacts
from sdrcheck.watching.journal import INSPECTION, Journal, Line, daily_summary, make_room, name_of, write_whole
from sdrcheck.watching.memory import Keeping, RollingMemory, needed_bytes, require_memory
from sdrcheck.watching.policy import Policy, masked
from sdrcheck.watching.relay import Relay

_PAUSE_S = 0.2
LEAST_FREE_BYTES = 200_000_000
_LATEST = 200
"""So many kept keyings are remembered, in case it comes out later that samples are missing in one."""
_FRAMES_PER_S = 2.0
"""Frames are not shown, but they keep the watch looking at disk and clock while nothing is keyed."""
_CLOCK_STEP_S = 0.5
"""The computer's UTC moving by more than this against its monotonic clock was set, not merely steered."""


@dataclass(frozen=True, slots=True)
class Watched:
    """One line for the person who reads later, and the transmission it is about."""

    line: Line
    transmission: Transmission | None = None


@dataclass(slots=True)
class _Open:
    """A keying that goes on, and the recording begun of it where it outgrew half of the memory."""

    started: TransmissionStarted
    keeping: Keeping | None = None
    refused: bool = False
    cut: str = ""
    """Why its recording ended before it did."""


@dataclass(slots=True)
class _Kept:
    """A keying that is kept: its recording, perhaps still growing, and what is known of it."""

    keeping: Keeping
    found: Transmission
    sentence: str
    inspected: bool = False

    @property
    def name(self) -> str:
        return _name_of(self.keeping)


class _HostClock:
    """Notices when somebody sets the computer's clock."""

    def __init__(self) -> None:
        self._ahead = time.time() - time.monotonic()

    def stepped_s(self) -> float:
        """By how much it was set since last asked; 0 where it was not."""
        moved = time.time() - time.monotonic() - self._ahead
        if abs(moved) < _CLOCK_STEP_S:
            return 0.0
        self._ahead += moved
        return moved


@dataclass(slots=True)
class Watch:
    """One watch over one source, until `deadline` (monotonic seconds), `stop` or the end of the source.

    `reopen` is asked for the source again when it is lost; None means that the watch ends with it. `hear` gets every
    block as it comes, in a thread of its own. With `record` everything is recorded there, too, after a loss of the
    source into another recording beside it.
    """

    folder: Path
    settings: Settings
    policy: Policy
    memory_s: float = 120.0
    deadline: float | None = None
    hear: Callable[[IqBlock], None] = lambda block: None
    record: Path | None = None
    waits_s: tuple[float, ...] = (1.0, 2.0, 5.0, 10.0)
    """From one try to open a lost source again to the next; the last one goes on."""
    _kept: deque[_Kept] = field(default_factory=deque)
    """The latest ones; older ones are on disk and done with."""
    _open: dict[int, _Open] = field(default_factory=dict)
    _whole: Keeping | None = None
    _clock: _HostClock = field(default_factory=_HostClock)
    _heard_at: float = 0.0
    _day: str = ""
    _refused: bool = False
    _over_budget: str = ""
    """Why the disk budget is not kept to, as told last."""
    _stopped: bool = False

    def stop(self) -> None:
        """End the watch cleanly with the next block; may be called from a signal handler or another thread."""
        self._stopped = True

    def run(self, source: IqSource, reopen: Callable[[], IqSource] | None = None) -> Iterator[Watched]:
        """Yield a line for everything worth one. Whatever is lost is written down with its size."""
        require_memory(source.facts, self.memory_s)
        journal = Journal(self.folder)
        try:
            self._day = utc_text(utc_now())[:10]
            held_mb = needed_bytes(source.facts, self.memory_s) / 1e6
            sentence = (
                f"Watching {source.facts.name} into {self.folder}; the last {self.memory_s:g} s are remembered "
                f"({held_mb:.0f} MB)."
            )
            yield self._note(journal, "started", sentence)
            while True:
                yield from self._one_source(journal, source, waits=reopen is not None)
                if reopen is None or self._over():
                    break
                again = yield from self._wait_for(journal, reopen, source.facts)
                if again is None:
                    break
                source = again
                hole_s = time.monotonic() - self._heard_at
                sentence = f"The source is back after {hole_s:.1f} s; nothing was heard meanwhile."
                yield self._note(journal, "hole", sentence, seconds=hole_s)
            why = "Stopped." if self._stopped else "The time is over." if self._over() else "The source ended."
            yield self._note(journal, "ended", why)
        finally:
            source.close()
            journal.close()

    def _over(self) -> bool:
        return self._stopped or (self.deadline is not None and time.monotonic() >= self.deadline)

    def _one_source(self, journal: Journal, source: IqSource, *, waits: bool) -> Iterator[Watched]:
        memory = RollingMemory(source, self.memory_s, self.settings)
        relay = Relay(memory, self.hear, room_s=min(4.0, self.memory_s / 4))
        until_over = _Until(relay, self._over)
        try:
            for event in run(until_over, replace(self.settings, frames_per_s=_FRAMES_PER_S)):
                yield from self._take(journal, memory, event, waits=waits)
                yield from self._settle(journal)
        except SdrcheckError as problem:
            yield self._note(journal, "trouble", str(problem))
        finally:
            self._heard_at = until_over.heard_at
            self._finish_all("the watch ended" if self._over() else "the source ended")
            self._open.clear()
            relay.close()
        yield from self._settle(journal)
        yield from self._miss_the_whole(journal, memory)
        self._whole = None
        self._kept.clear()

    def _finish_all(self, why: str) -> None:
        """End every recording that is still being written."""
        for one in self._open.values():
            if one.keeping is not None and not one.keeping.finished:
                one.keeping.finish(why)
                one.cut = why
        for kept in self._kept:
            kept.keeping.finish(why)
        if self._whole is not None:
            self._whole.finish(why)

    def _wait_for(
        self, journal: Journal, reopen: Callable[[], IqSource], lost: SourceFacts
    ) -> Generator[Watched, None, IqSource | None]:
        """Ask for the lost source until it is there; another dongle in its place would be corrected wrongly."""
        tries, said = 0, ""
        while not self._over():
            self._pause(self.waits_s[min(tries, len(self.waits_s) - 1)])
            tries += 1
            try:
                again = reopen()
                if again.facts.serial == lost.serial:
                    return again
                again.close()
                raise SourceError(
                    f"{again.facts.name} answers in place of {lost.name}, whose corrections are in use; plug in "
                    f"{lost.name}, or start a watch anew"
                )
            except SourceError as problem:
                if str(problem) != said:
                    said = str(problem)
                    yield self._note(journal, "trouble", f"Not back yet: {said}.")
        return None

    def _pause(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while time.monotonic() < until and not self._over():
            time.sleep(min(_PAUSE_S, seconds))

    # -- events -------------------------------------------------------------------------------------------------------

    def _take(self, journal: Journal, memory: RollingMemory, event: Event, *, waits: bool) -> Iterator[Watched]:
        if isinstance(event, TransmissionStarted):
            self._open[event.number] = _Open(event)
        elif isinstance(event, TransmissionEnded):
            yield from self._ended(journal, memory, event)
        elif isinstance(event, SourceFault):
            sentence = event.sentence.rstrip(".")
            if event.stopped and waits and not self._over():
                sentence = f"{sentence.removesuffix(', then start again')}; the watch waits for it"
            yield self._note(journal, "trouble", f"{sentence}.", lost_samples=event.lost_samples)
            yield from self._doubt(journal, event)
        elif not isinstance(event, Finished):
            yield from self._look_around(journal)
            yield from self._secure_long_ones(journal, memory)

    def _look_around(self, journal: Journal) -> Iterator[Watched]:
        """What has to be looked at now and then: the computer's clock, the day, the disk."""
        stepped = self._clock.stepped_s()
        if stepped:
            sentence = (
                f"The computer's clock was set by {stepped:+.1f} s; recordings count their time from before, the lines "
                "here go on from now."
            )
            yield self._note(journal, "clock", sentence, seconds=stepped)
        today = utc_text(utc_now())[:10]
        if today != self._day:
            over, self._day = self._day, today
            try:
                summary = daily_summary(self.folder, over)
            except SourceError as problem:
                yield self._note(journal, "trouble", f"There is no summary of {over}: {problem}")
            else:
                if summary:
                    yield self._note(journal, "summary", summary)
        refusal = self._refusal()
        if refusal and not self._refused:
            self._finish_all("the disk took no more")
            yield self._note(journal, "trouble", f"Nothing more is kept for now: {refusal}.")
        self._refused = bool(refusal)

    def _refusal(self) -> str:
        """Why the disk takes no more recordings; empty where it does."""
        try:
            free = shutil.disk_usage(self.folder).free
        except OSError as problem:
            return f"{self.folder} cannot be reached ({problem.strerror}); bring it back"
        if free < LEAST_FREE_BYTES:
            return f"only {free / 1e6:.0f} MB are free in {self.folder}; free some space"
        return ""

    def _secure_long_ones(self, journal: Journal, memory: RollingMemory) -> Iterator[Watched]:
        """Begin the recording of a keying that is about to outgrow the memory, and the recording of everything."""
        yield from self._miss_the_whole(journal, memory)
        if self._refused:
            return
        if self.record is not None and self._whole is None:
            try:
                self._whole = memory.begin(_free_name(base_of(self.record)))
                self._whole.start()
            except (SourceError, RecordingError) as problem:
                self.record = None
                yield self._note(journal, "trouble", str(problem))
        now = memory.span_s[1]
        for one in self._open.values():
            if one.keeping is None and not one.refused and now - one.started.start_s > self.memory_s / 2:
                start_s = one.started.start_s - self.policy.before_s
                place = one.started.channel.name if one.started.channel else f"{one.started.frequency_hz / 1e3:.0f}k"
                base = self._base(memory, one.started.start_s, place, "long")
                try:
                    one.keeping = memory.begin(base, start_s, start_s + self.policy.longest_s)
                    one.keeping.start()
                except (SourceError, RecordingError) as problem:
                    one.refused = True
                    yield self._note(journal, "trouble", str(problem))

    def _miss_the_whole(self, journal: Journal, memory: RollingMemory) -> Iterator[Watched]:
        """Tell where the recording of everything broke off, and let go of one that ended before its source."""
        if self._whole is None or not self._whole.finished:
            return
        if self._whole.problem is not None:
            reason = self._whole.problem.strerror
            self.record = None
            sentence = f"The recording of everything is cut short, the disk refused ({reason})."
            yield self._note(journal, "trouble", sentence)
        elif memory.over:
            return
        self._whole = None

    def _ended(self, journal: Journal, memory: RollingMemory, event: TransmissionEnded) -> Iterator[Watched]:
        found = event.transmission
        running = self._open.pop(event.number, None)
        keeping = running.keeping if running else None
        sentence = describe(found, self.policy)
        end_s = found.start_s + found.duration_s + self.policy.after_s
        if not self.policy.wants(found):
            yield self._note(journal, "heard", f"{sentence} Not kept.", found)
            if keeping is not None:
                yield from self._discard(journal, keeping)
            return
        try:
            if keeping is None:
                refusal = self._refusal()
                if refusal:
                    raise SourceError(refusal)
                base = self._base(
                    memory, found.start_s, found.channel or f"{found.frequency_hz / 1e3:.0f}k", found.kind
                )
                keeping = memory.begin(base, found.start_s - self.policy.before_s, end_s)
            else:
                keeping.end_at(end_s)
        except (SourceError, RecordingError) as problem:
            yield self._note(journal, "trouble", f"{sentence} It could not be kept: {problem}.", found)
            return
        if found.duration_s > self.policy.longest_s:
            sentence += f" Only its first {self.policy.longest_s:.0f} s are kept."
        if running is not None and running.cut:
            sentence += f" Its recording is cut short, as {running.cut}."
        kept = _Kept(keeping, found, sentence)
        self._kept.append(kept)
        try:
            yield self._note(journal, "kept", sentence, found, kept=kept.name)
        finally:  # the line comes first, as somebody waits for it
            if running is None or running.keeping is None:
                keeping.start()

    def _discard(self, journal: Journal, keeping: Keeping) -> Iterator[Watched]:
        """Let go of a long keying that turned out to be nothing the watch keeps."""
        meta = keeping.finish("not kept")
        try:
            for path in (meta, meta.with_name(_name_of(keeping) + DATA)):
                path.unlink(missing_ok=True)
        except OSError as problem:
            yield self._note(journal, "trouble", f"{meta} cannot be removed ({problem.strerror}).")

    def _settle(self, journal: Journal) -> Iterator[Watched]:
        """Write the inspection beside every recording that is complete now, and keep to the disk budget."""
        done = [kept for kept in self._kept if kept.keeping.finished and not kept.inspected]
        for kept in done:
            problem = kept.keeping.problem
            if problem is not None:
                sentence = f"{kept.sentence} Its recording is cut short, the disk refused ({problem.strerror})."
                yield self._note(journal, "trouble", sentence, kept.found)
            yield from self._inspect(journal, kept)
        if done:
            written = {kept.name for kept in self._kept if not kept.inspected}
            yield from self._make_room(journal, written)
        while len(self._kept) > _LATEST and self._kept[0].inspected:
            self._kept.popleft()

    def _make_room(self, journal: Journal, written: set[str]) -> Iterator[Watched]:
        """Keep to the disk budget; where that cannot be, it is told once."""
        try:
            for name in make_room(self.folder, self.policy.budget_bytes, written):
                sentence = f"{name} was removed to stay within the disk budget."
                yield self._note(journal, "removed", sentence, kept=name)
        except SourceError as problem:
            if str(problem) != self._over_budget:
                self._over_budget = str(problem)
                yield self._note(journal, "trouble", f"The disk budget is not kept to: {problem}.")

    def _inspect(self, journal: Journal, kept: _Kept) -> Iterator[Watched]:
        kept.inspected = True
        try:
            _write_inspection(kept.keeping, self.policy.shown(kept.found), self.settings)
        except (OSError, SdrcheckError) as problem:
            yield self._note(journal, "trouble", f"The inspection beside {kept.keeping.path} is missing: {problem}.")

    def _doubt(self, journal: Journal, fault: SourceFault) -> Iterator[Watched]:
        """Take back the verdicts on what was told before it came out that samples may be missing in it."""
        for kept in self._kept:
            if fault.casts_doubt_on(kept.found):
                kept.found = in_doubt(kept.found, fault)
                if kept.inspected:
                    yield from self._inspect(journal, kept)
                sentence = f"{kept.name}: samples may be missing in it, so nothing of it is judged."
                yield self._note(journal, "doubt", sentence, kept=kept.name)

    def _base(self, memory: RollingMemory, start_s: float, place: str, kind: str) -> Path:
        utc = memory.utc_at(start_s)
        moment = utc_now() if utc is None else utc_moment(utc)
        return _free_name(self.folder / name_of(moment, place, kind))

    def _note(
        self,
        journal: Journal,
        event: str,
        sentence: str,
        found: Transmission | None = None,
        *,
        kept: str | None = None,
        seconds: float | None = None,
        lost_samples: int = 0,
    ) -> Watched:
        line = Line(
            utc=utc_text(utc_now()),
            event=event,
            sentence=sentence,
            kept=kept,
            kind=found.kind if found else None,
            channel=found.channel if found else None,
            seconds=found.duration_s if found else seconds,
            lost_samples=lost_samples,
        )
        journal.write(line)
        return Watched(line, found)


class _Until:
    """A source that ends when asked to, between two blocks, so that the engine tells what it has."""

    def __init__(self, source: IqSource, over: Callable[[], bool]) -> None:
        self._source, self._over = source, over
        self.heard_at = time.monotonic()
        """When the latest block came, by the monotonic clock."""

    @property
    def facts(self) -> SourceFacts:
        return self._source.facts

    def blocks(self) -> Iterator[IqBlock]:
        for block in self._source.blocks():
            self.heard_at = time.monotonic()
            yield block
            if self._over():
                return

    def close(self) -> None:
        self._source.close()


def describe(found: Transmission, policy: Policy) -> str:
    """One line for one transmission; other stations' identities are masked."""

    def shown(identity: str | None) -> str:
        if identity is None:
            return "an unreadable identity"
        return identity if policy.others or identity in policy.own else masked(identity)

    parts = [f"{format_place(found)}: {found.kind}, {found.duration_s:.3g} s"]
    if found.kind is Kind.VOICE:
        parts[0] = f"{format_place(found)}: {found.kind} ({found.condition}), {found.duration_s:.3g} s"
    for call in found.calls:
        to = f" to {shown(call.address)}" if isinstance(call.address, str) else ""
        check = "" if call.error_check == "ok" else f", error check {call.error_check}"
        parts.append(f"{call.type} from {shown(call.self_id)}{to}{check}")
    for message in found.messages:
        whole = "" if message.complete else ", cut"
        parts.append(f"message {message.station or '?'}{message.subject or '?'}{message.number or '??'}{whole}")
    for quantity in ("carrier offset", "peak deviation, up", "level"):
        reading = found.reading(quantity)
        if reading is not None:
            verdict = f" ({reading.verdict})" if reading.verdict else ""
            parts.append(f"{quantity} {format_reading(reading)}{verdict}")
    return "; ".join(parts) + "."


def _free_name(base: Path) -> Path:
    """This base name, or where there is such a recording, the first with a number behind it that is free."""
    names = itertools.chain((base,), (base.with_name(f"{base.name}-{number}") for number in itertools.count(2)))
    return next(name for name in names if not name.with_name(name.name + META).exists())


def _name_of(keeping: Keeping) -> str:
    return keeping.path.name.removesuffix(META)


def _write_inspection(keeping: Keeping, found: Transmission, settings: Settings) -> None:
    recording = open_recording(keeping.path)
    sealed = recording.stated_sha512
    reference = settings.reference_at(found.start_utc)
    inspection = Inspection(
        recording=RecordingFacts(
            path=keeping.path.name,
            sha512=sealed,
            hash_matches=None if sealed is None else True,
            sample_rate_hz=recording.sample_rate_hz,
            centre_frequency_hz=recording.centre_hz,
            start_utc=recording.start_utc,
            duration_s=recording.sample_count / recording.sample_rate_hz,
            clipped_fraction=keeping.clipped_fraction,
            lost_samples=recording.facts.lost_samples or 0,
            remarks=tuple(recording.remarks),
        ),
        reference=ReferenceFacts(
            correction_ppm=reference.correction_ppm, uncertainty_ppm=reference.uncertainty_ppm, source=reference.source
        ),
        limit_set=settings.limit_set,
        transmissions=(found.moved(-keeping.start_s),),
    )
    write_whole(keeping.path.with_name(_name_of(keeping) + INSPECTION), inspection.to_json())
