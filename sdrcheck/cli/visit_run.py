"""`sdrcheck visit run`: hands-free through the keyings of a set, for one person at the radio."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sdrcheck.cli.arguments import FREQUENCY, NUMBER, PPM, SPEED
from sdrcheck.cli.options import is_live, is_tuned, tuning_for
from sdrcheck.cli.visit_options import now_utc, opened, say, visit_option

if TYPE_CHECKING:
    from sdrcheck.bench import Event, Settings
    from sdrcheck.evidence.pictures import Picture
    from sdrcheck.findings.inspection import Inspection, Transmission
    from sdrcheck.sources.source import IqSource
    from sdrcheck.visits.hands_free import Announcement
    from sdrcheck.visits.ship import Visit


@click.command("run")
@click.argument("set_id", metavar="SET")
@click.option("--from", "source", required=True, metavar="SOURCE", help="A live source, or a recording of such a run.")
@click.option("--centre", type=FREQUENCY, help="Centre frequency of the receiver.")
@click.option("--rate", type=FREQUENCY, help="Samples a second.")
@click.option("--gain", type=NUMBER, help="Tuner gain in dB.")
@click.option("--speed", type=SPEED, default=0.0, show_default=True, help="How fast a recording plays; 0 at once.")
@click.option("--reference", type=PPM, metavar="δ±U", help="Instead of the visit file's frequency reference.")
@click.option("--tone-source", type=click.Choice(["acoustic", "electrical"]), default="acoustic", show_default=True)
@click.option("--sound/--no-sound", default=True, help="Tones: heard, wrong, finished.")
@visit_option
def run(
    set_id: str,
    source: str,
    centre: float | None,
    rate: float | None,
    gain: float | None,
    speed: float,
    reference: tuple[float, float] | None,
    tone_source: str,
    sound: bool,
    visit_path: Path,
) -> None:
    """Go hands-free through all keyings of a SET: what to do is shown large, each keying is recognised and filed.

    No distress format is part of it. What is filed stays filed, whatever happens later.
    """
    from sdrcheck.cli.inspecting import settings_of
    from sdrcheck.errors import VisitError
    from sdrcheck.sources.tuner import DEPENDABLE_RATE_HZ, VHF_CENTRE_HZ
    from sdrcheck.visits import gates
    from sdrcheck.visits.hands_free import HandsFree

    visit, plan, _, folder = opened(visit_path)
    gates.find_set(visit, set_id)
    checks = plan.spoken(set_id)
    if not checks:
        raise VisitError(f"{set_id} has no keyings that a hands-free run could go through")
    settings = settings_of(visit, None, reference=reference, tone_source=tone_source)
    frequencies = [check.keying.frequency_hz for check in checks if check.keying]
    if centre is None and is_tuned(source) and min(frequencies) > 30e6:
        centre, rate = VHF_CENTRE_HZ, rate or DEPENDABLE_RATE_HZ  # any channel may be keyed by mistake
    with (
        closing(_opened_source(folder, source, frequencies, centre, rate, gain, speed)) as flowing,
        closing(_Beeper(sound)) as beeper,
    ):
        if is_live(source):
            for caution in dict.fromkeys(caution for check in checks for caution in check.cautions):
                say(f"CAUTION: {caution}")
        run_of = _Run(folder, visit, set_id, flowing, settings, tone_source, live=is_live(source))
        state = HandsFree(checks)
        events = run_of.events()
        for announcement in state.run(events):
            _show(announcement)
            beeper.play(announcement)
            if announcement.filed is not None:
                run_of.file(announcement)
        if is_live(source):
            flowing.close()
        for _ in events:  # the engine has its last word: the seal, and what shows only across keyings
            pass
        run_of.finish()


def _opened_source(
    folder: Path,
    source: str,
    frequencies: Collection[float],
    centre: float | None,
    rate: float | None,
    gain: float | None,
    speed: float,
) -> IqSource:
    from sdrcheck.evidence import filing
    from sdrcheck.sources.catalogue import open_source
    from sdrcheck.sources.recording import RecordingSource

    if not is_live(source):
        return RecordingSource(filing.attach(folder, Path(source)), speed=speed or None)
    return open_source(source, tuning_for(source, frequencies, centre, rate, gain))


class _Run:
    """The engine running under a hands-free run: it records what is live, and files what was taken."""

    def __init__(
        self,
        folder: Path,
        visit: Visit,
        set_id: str,
        source: IqSource,
        settings: Settings,
        tone_source: str,
        *,
        live: bool,
    ) -> None:
        from sdrcheck.watching.memory import RollingMemory

        self.folder, self.visit, self.set_id, self.settings, self.tone_source = (
            folder,
            visit,
            set_id,
            settings,
            tone_source,
        )
        self._source = RollingMemory(source, 60.0, settings) if live else source
        self._live = live
        self._pictures: dict[int, tuple[Picture, ...]] = {}
        self._events: list[Event] = []
        self.recording = "" if live else filing_name(folder, source.facts.name)

    def events(self) -> Iterator[Event]:
        """The engine's events, their pictures made on the way."""
        from dataclasses import replace

        from sdrcheck.bench import SpectrumFrame, TransmissionEnded, run
        from sdrcheck.evidence.pictures import of_excerpt

        for event in run(self._source, replace(self.settings, frames_per_s=2.0 if self._live else 0.0)):
            if self._live and not self.recording:
                self._record()
            if isinstance(event, TransmissionEnded):
                self._pictures[id(event.transmission)] = of_excerpt(event.excerpt, event.transmission)
            if not isinstance(event, SpectrumFrame):
                self._events.append(event)
            yield event

    def _record(self) -> None:
        from sdrcheck.evidence.filing import RECORDINGS
        from sdrcheck.watching.memory import RollingMemory

        assert isinstance(self._source, RollingMemory)
        base = self.folder / RECORDINGS / f"{self.set_id}-run-{now_utc():%Y%m%dT%H%M%SZ}"
        base.parent.mkdir(parents=True, exist_ok=True)
        keeping = self._source.keep_from(base, 0.0, description=f"hands-free run of {self.set_id}")
        self.recording = filing_name(self.folder, str(keeping.path))

    def file(self, announcement: Announcement) -> None:
        """File one keying at once, on an inspection of its own: the run may be interrupted at any moment."""
        from sdrcheck.evidence import filing

        assert announcement.filed is not None
        assert announcement.check is not None
        found = filing.Inspected(
            self._inspection((announcement.filed,)), (self._pictures.get(id(announcement.filed), ()),)
        )
        filing.file_try(
            self.folder,
            announcement.check,
            self.folder / self.recording,
            found,
            now=now_utc(),
            who=self.visit.job.who,
            places=(0,),
            how="hands-free",
            tone_source=self.tone_source,
        )

    def finish(self) -> None:
        """Keep the inspection of the whole run, with what showed only across its keyings."""
        from sdrcheck.bench import Finished, collect
        from sdrcheck.evidence import filing

        if self._events and isinstance(self._events[-1], Finished):
            kept, _ = filing.keep_inspection(self.folder, f"{self.set_id}-run", filing.Inspected(collect(self._events)))
            say(f"the whole run is kept as {self.recording} and {kept}")

    def _inspection(self, transmissions: tuple[Transmission, ...]) -> Inspection:
        from sdrcheck.findings.inspection import Inspection, RecordingFacts, ReferenceFacts

        facts, reference = self._source.facts, self.settings.reference_at(transmissions[0].start_utc)
        last = max(one.start_s + one.duration_s for one in transmissions)
        return Inspection(
            recording=RecordingFacts(
                path=self.recording,
                sha512=None,
                hash_matches=None,
                sample_rate_hz=facts.sample_rate_hz,
                centre_frequency_hz=facts.centre_hz,
                start_utc=facts.start_utc,
                duration_s=last,
                clipped_fraction=0.0,
                lost_samples=0,
                remarks=("Filed while the run went on; its seal is in the recording's own description.",),
            ),
            reference=ReferenceFacts(
                correction_ppm=reference.correction_ppm,
                uncertainty_ppm=reference.uncertainty_ppm,
                source=reference.source,
            ),
            limit_set=self.settings.limit_set,
            transmissions=transmissions,
        )


def filing_name(folder: Path, path: str) -> str:
    """A recording of the visit's folder as entries name it."""
    from sdrcheck.evidence.filing import inside_path

    return inside_path(folder, Path(path))


# -- shown and heard from three metres away ----------------------------------------------------------------------------

_DIGITS = {
    "0": "███ █ █ █ █ █ █ ███",
    "1": " █  ██   █   █  ███",
    "2": "███   █ ███ █   ███",
    "3": "███   █ ███   █ ███",
    "4": "█ █ █ █ ███   █   █",
    "5": "███ █   ███   █ ███",
    "6": "███ █   ███ █ █ ███",
    "7": "███   █   █   █   █",
    "8": "███ █ █ ███ █ █ ███",
    "9": "███ █ █ ███   █ ███",
}
"""Five rows of three, joined by blanks."""


def _show(announcement: Announcement) -> None:
    from rich.console import Console
    from rich.panel import Panel
    from rich.text import Text

    from sdrcheck.visits.hands_free import Sound

    console = Console(highlight=False)
    if not console.is_terminal:
        say(announcement.text.replace("\n", ": "))
        return
    keying = announcement.check.keying if announcement.check else None
    asked = announcement.filed is None and announcement.sound is Sound.NONE
    large = "\n".join(large_rows(keying.channel)) + "\n\n" if asked and keying and keying.channel else ""
    style = {Sound.WRONG: "bold red", Sound.HEARD: "bold green"}.get(announcement.sound, "bold")
    console.print(Panel(Text(large + announcement.text, style=style, justify="center"), padding=(1, 4)))


def large_rows(channel: str) -> Iterable[str]:
    """A channel's number in rows of blocks, to be read from across the bridge; letters are left out."""
    for row in range(5):
        yield "   ".join(
            "".join(part * 2 for part in _DIGITS[digit][row * 4 : row * 4 + 3]) for digit in channel if digit in _DIGITS
        )


class _Beeper:
    """Plays the tone that goes with an announcement; silent, and saying so once, where this computer has no sound."""

    def __init__(self, wanted: bool) -> None:
        from sdrcheck.errors import SdrcheckError
        from sdrcheck.watching.loudspeaker import Loudspeaker

        self._loudspeaker: Loudspeaker | None = None
        if wanted:
            try:
                self._loudspeaker = Loudspeaker()
            except SdrcheckError as problem:
                say(f"no tones: {problem}")

    def play(self, announcement: Announcement) -> None:
        from sdrcheck.errors import SourceLost
        from sdrcheck.watching.tones import tone_of

        if self._loudspeaker is None:
            return
        try:
            self._loudspeaker.play(tone_of(announcement.sound))
        except SourceLost as problem:  # the run goes on without tones
            self._loudspeaker = None
            say(f"no more tones: {problem}")

    def close(self) -> None:
        if self._loudspeaker is not None:
            self._loudspeaker.drain()
            self._loudspeaker.close()
