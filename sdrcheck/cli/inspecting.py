"""How visit and evidence get their inspections: the engine run over a recording, its pictures made on the way."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sdrcheck.bench import Event, Settings
    from sdrcheck.evidence.filing import Inspected
    from sdrcheck.evidence.pictures import Picture
    from sdrcheck.findings.inspection import Inspection
    from sdrcheck.receiver.level import LevelReference
    from sdrcheck.receiver.reference import FrequencyReference
    from sdrcheck.visits.checks.check import Check
    from sdrcheck.visits.ship import Visit

_TOLD_PER_S = 2.0


def inspected(
    path: Path, settings: Settings, *, pictures: bool = True, tell: Callable[[float], None] | None = None
) -> Inspected:
    """Inspect a recording; raises RecordingError where it cannot be read to its end.

    `tell` gets the part that is read, and may raise to stop.
    """
    from dataclasses import replace

    from sdrcheck.bench import SourceFault, SpectrumFrame, TransmissionEnded, collect, run
    from sdrcheck.errors import RecordingError
    from sdrcheck.evidence.filing import Inspected
    from sdrcheck.evidence.pictures import of_excerpt
    from sdrcheck.sources.recording import RecordingSource

    made: dict[int, tuple[Picture, ...]] = {}
    source = RecordingSource(path)
    seconds = (source.facts.sample_count or 0) / source.facts.sample_rate_hz
    if tell is not None:
        settings = replace(settings, frames_per_s=_TOLD_PER_S)

    def watched() -> Iterator[Event]:
        for event in run(source, settings):
            if isinstance(event, TransmissionEnded) and pictures:
                made[id(event.transmission)] = of_excerpt(event.excerpt, event.transmission)
            elif isinstance(event, SourceFault) and event.stopped:
                raise RecordingError(event.sentence)
            elif isinstance(event, SpectrumFrame) and tell is not None:
                tell(min((event.start_s + event.duration_s) / max(seconds, 1e-9), 1.0))
            yield event

    inspection = collect(watched())
    return Inspected(inspection, tuple(made.get(id(one), ()) for one in inspection.transmissions))


def settings_of(
    visit: Visit,
    check: Check | None,
    *,
    reference: tuple[float, float] | None = None,
    tone_source: str | None = None,
) -> Settings:
    """How the engine is to judge a check of this visit; a reference given here goes before the file's."""
    from sdrcheck.bench import Settings
    from sdrcheck.receiver.reference import FrequencyReference
    from sdrcheck.visits.plan import declared_by

    stated = FrequencyReference(*reference, "given with --reference") if reference else _reference(visit)
    return Settings(
        reference=stated,
        limit_set=visit.job.limit_set,
        tone_source=tone_source,  # type: ignore[arg-type]
        declared=declared_by(check.keying) if check and check.keying else (),
        level_reference=_level(visit, check),
        frames_per_s=0.0,
    )


def _reference(visit: Visit) -> FrequencyReference | None:
    from sdrcheck.receiver.reference import FrequencyReference

    known = visit.reference
    if known is None:
        return None
    return FrequencyReference(
        known.correction_ppm,
        known.uncertainty_ppm,
        known.method or "stated in the visit file",
        method="stated",
        taken_utc=known.taken,
        oscillator=known.oscillator,
    )


def _level(visit: Visit, check: Check | None) -> LevelReference | None:
    """What is known of this dongle's level at its gain, where it was compared with a wattmeter."""
    from sdrcheck.receiver import level_store

    if visit.dongle is None or not visit.dongle.serial or check is None or check.keying is None:
        return None
    return level_store.fitting(visit.dongle.serial, visit.dongle.gain_db, check.keying.frequency_hz)


def inspected_again(path: Path, old: Inspection, tone_source: str | None) -> Inspection:
    """Inspect a recording with the reference and limits that an earlier inspection was made with."""
    from sdrcheck.bench import Settings
    from sdrcheck.receiver.reference import FrequencyReference

    reference = old.reference
    settings = Settings(
        reference=FrequencyReference(reference.correction_ppm, reference.uncertainty_ppm, reference.source),
        limit_set=old.limit_set,
        tone_source=tone_source,  # type: ignore[arg-type]
        frames_per_s=0.0,
    )
    return inspected(path, settings, pictures=False).inspection
