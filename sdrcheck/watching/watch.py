"""The unattended watch: engine, rolling memory, and each wanted keying kept with what came before it."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path

from sdrcheck.bench import (
    Event,
    Finished,
    Settings,
    SourceFault,
    TransmissionEnded,
    TransmissionStarted,
    run,
)
from sdrcheck.errors import RecordingError, SdrcheckError, SourceError
from sdrcheck.findings.inspection import Inspection, Kind, RecordingFacts, ReferenceFacts, Transmission
from sdrcheck.findings.wording import format_place, format_reading
from sdrcheck.receiver.reference import FrequencyReference
from sdrcheck.recordings.recording import open_recording
from sdrcheck.recordings.utc import utc_moment, utc_now, utc_text
from sdrcheck.sources.source import IqSource
from sdrcheck.watching.journal import INSPECTION, Journal, Line, make_room, name_of
from sdrcheck.watching.memory import Keeping, RollingMemory
from sdrcheck.watching.policy import Policy, masked

_WAITS_S = (1.0, 2.0, 5.0, 10.0)
LEAST_FREE_BYTES = 200_000_000


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


@dataclass(slots=True)
class Watch:
    """One watch over one source, until `deadline` (monotonic seconds) or the end of the source.

    `reopen` is asked for the source again when it is lost; None means that the watch ends with it.
    """

    folder: Path
    settings: Settings
    policy: Policy
    memory_s: float = 120.0
    deadline: float | None = None
    sleep: Callable[[float], None] = time.sleep
    _pending: list[tuple[Keeping, Transmission, str]] = field(default_factory=list)
    _open: dict[int, _Open] = field(default_factory=dict)

    def run(self, source: IqSource, reopen: Callable[[], IqSource] | None = None) -> Iterator[Watched]:
        """Yield a line for everything worth one. Whatever is lost is written down with its size."""
        journal = Journal(self.folder)
        yield self._note(journal, "started", f"Watching {source.facts.name} into {self.folder}.")
        try:
            while True:
                ended_utc = yield from self._one_source(journal, source)
                if reopen is None or self._over():
                    break
                again = yield from self._wait_for(journal, reopen)
                if again is None:
                    break
                source = again
                hole_s = (utc_now() - ended_utc).total_seconds()
                yield self._note(
                    journal,
                    "hole",
                    f"The source is back after {hole_s:.0f} s; nothing was heard meanwhile.",
                    seconds=hole_s,
                )
        finally:
            source.close()
            journal.close()

    def _over(self) -> bool:
        return self.deadline is not None and time.monotonic() >= self.deadline

    def _one_source(self, journal: Journal, source: IqSource) -> Generator[Watched, None, datetime]:
        memory = RollingMemory(source, self.memory_s)
        try:
            for event in run(memory, replace(self.settings, frames_per_s=max(self.settings.frames_per_s, 2.0))):
                yield from self._take(journal, memory, event)
                yield from self._settle(journal)
                if self._over():
                    break
        except SdrcheckError as problem:
            yield self._note(journal, "trouble", str(problem))
        finally:
            source.close()
            self._open.clear()
        for keeping, _, _ in self._pending:
            keeping.finish("the watch ended")
        yield from self._settle(journal)
        moment = utc_now()
        yield self._note(journal, "ended", "The source ended.")
        return moment

    def _wait_for(self, journal: Journal, reopen: Callable[[], IqSource]) -> Generator[Watched, None, IqSource | None]:
        tries, said = 0, ""
        while not self._over():
            self.sleep(_WAITS_S[min(tries, len(_WAITS_S) - 1)])
            tries += 1
            try:
                return reopen()
            except SourceError as problem:
                if str(problem) != said:
                    said = str(problem)
                    yield self._note(journal, "trouble", f"Not back yet: {said}")
        return None

    def _take(self, journal: Journal, memory: RollingMemory, event: Event) -> Iterator[Watched]:
        if isinstance(event, TransmissionStarted):
            self._open[event.number] = _Open(event)
        elif isinstance(event, TransmissionEnded):
            yield from self._ended(journal, memory, event)
        elif isinstance(event, SourceFault):
            yield self._note(journal, "trouble", event.sentence, lost_samples=event.lost_samples)
        elif not isinstance(event, Finished):
            yield from self._secure_long_ones(journal, memory)

    def _secure_long_ones(self, journal: Journal, memory: RollingMemory) -> Iterator[Watched]:
        """Begin the recording of a keying that is about to outgrow the memory."""
        now = memory.span_s[1]
        for one in self._open.values():
            if one.keeping is None and now - one.started.start_s > self.memory_s / 2:
                place = one.started.channel.name if one.started.channel else f"{one.started.frequency_hz / 1e3:.0f}k"
                try:
                    one.keeping = memory.keep_from(
                        self._base(memory, one.started.start_s, place, "long"),
                        one.started.start_s - self.policy.before_s,
                    )
                except (SourceError, RecordingError) as problem:
                    yield self._note(journal, "trouble", str(problem))

    def _ended(self, journal: Journal, memory: RollingMemory, event: TransmissionEnded) -> Iterator[Watched]:
        found = event.transmission
        running = self._open.pop(event.number, None)
        keeping = running.keeping if running else None
        sentence = describe(found, self.policy)
        end_s = found.start_s + found.duration_s + self.policy.after_s
        if not self.policy.wants(found):
            if keeping is not None:
                _discard(keeping)
            yield self._note(journal, "heard", f"{sentence} Not kept.", found)
            return
        try:
            self._check_disk()
            if keeping is None:
                base = self._base(
                    memory, found.start_s, found.channel or f"{found.frequency_hz / 1e3:.0f}k", found.kind
                )
                keeping = memory.keep_from(base, found.start_s - self.policy.before_s, end_s)
            else:
                keeping.end = round(end_s * memory.facts.sample_rate_hz)
        except (SourceError, RecordingError) as problem:
            yield self._note(journal, "trouble", f"{sentence} It could not be kept: {problem}", found)
            return
        self._pending.append((keeping, found, sentence))
        name = keeping.path.name.removesuffix(".sigmf-meta")
        yield self._note(journal, "kept", sentence, found, kept=name)

    def _check_disk(self) -> None:
        free = shutil.disk_usage(self.folder).free
        if free < LEAST_FREE_BYTES:
            raise SourceError(f"only {free / 1e6:.0f} MB are free in {self.folder}; free some space")

    def _settle(self, journal: Journal) -> Iterator[Watched]:
        """Write the inspection beside every recording that is complete now, and keep to the disk budget."""
        done = [one for one in self._pending if one[0].finished]
        self._pending = [one for one in self._pending if not one[0].finished]
        for keeping, found, sentence in done:
            if keeping.problem is not None:
                reason = keeping.problem.strerror or str(keeping.problem)
                yield self._note(
                    journal, "trouble", f"{sentence} Its recording is cut short, the disk refused ({reason}).", found
                )
            try:
                _write_inspection(keeping, found, self.settings)
            except (OSError, SdrcheckError) as problem:
                yield self._note(journal, "trouble", f"The inspection beside {keeping.path} is missing: {problem}")
        if done:
            for name in make_room(self.folder, self.policy.budget_bytes):
                yield self._note(journal, "removed", f"{name} was removed to stay within the disk budget.")

    def _base(self, memory: RollingMemory, start_s: float, place: str, kind: str) -> Path:
        start = memory.facts.start_utc
        moment = utc_now() if start is None else utc_moment(start) + timedelta(seconds=start_s)
        base = self.folder / name_of(moment, place, kind)
        number = 2
        while base.with_name(base.name + ".sigmf-meta").exists():
            base = self.folder / f"{name_of(moment, place, kind)}-{number}"
            number += 1
        return base

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


def _write_inspection(keeping: Keeping, found: Transmission, settings: Settings) -> None:
    recording = open_recording(keeping.path)
    sealed = recording.stated_sha512
    reference = settings.reference or FrequencyReference.uncorrected()
    inspection = Inspection(
        recording=RecordingFacts(
            path=keeping.path.name,
            sha512=sealed,
            hash_matches=None if sealed is None else True,
            sample_rate_hz=recording.sample_rate_hz,
            centre_frequency_hz=recording.centre_hz,
            start_utc=recording.start_utc,
            duration_s=recording.sample_count / recording.sample_rate_hz,
            clipped_fraction=0.0,
            lost_samples=recording.facts.lost_samples or 0,
            remarks=tuple(recording.remarks),
        ),
        reference=ReferenceFacts(
            correction_ppm=reference.correction_ppm, uncertainty_ppm=reference.uncertainty_ppm, source=reference.source
        ),
        limit_set=settings.limit_set,
        transmissions=(found.moved(-keeping.start_s),),
    )
    name = keeping.path.name.removesuffix(".sigmf-meta")
    keeping.path.with_name(name + INSPECTION).write_bytes(inspection.to_json())


def _discard(keeping: Keeping) -> None:
    """Let go of a long keying that turned out to be nothing the watch keeps."""
    meta = keeping.finish("not kept")
    for path in (meta, meta.with_name(meta.name.replace(".sigmf-meta", ".sigmf-data"))):
        path.unlink(missing_ok=True)
