"""`sdrcheck visit check`: guide, capture, inspect, attach, propose."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from sdrcheck.cli.arguments import FREQUENCY, NUMBER, PPM, Number
from sdrcheck.cli.options import is_live, tuning_for
from sdrcheck.cli.visit_options import now_utc, opened, say, visit_option

if TYPE_CHECKING:
    from sdrcheck.evidence.case import CheckCase
    from sdrcheck.findings.inspection import Inspection
    from sdrcheck.visits.checks.check import Check
    from sdrcheck.visits.results import Filed

SECONDS = {"distress": 330.0, "text": 630.0, "call": 30.0, "carrier": 20.0}
"""How long to record where nobody says: a repeat comes after 4.5 min, a text slot lasts 10 min."""


@click.command("check")
@click.argument("check_id", metavar="CHECK")
@click.option("--from", "source", required=True, metavar="SOURCE", help="A live source, or a recording made before.")
@click.option("--seconds", type=Number(above=0), help="Record this long; Ctrl-C ends it sooner.")
@click.option("--centre", type=FREQUENCY, help="Centre frequency of the receiver; left out, beside the channel.")
@click.option("--rate", type=FREQUENCY, help="Samples a second.")
@click.option("--gain", type=NUMBER, help="Tuner gain in dB.")
@click.option("--reference", type=PPM, metavar="δ±U", help="Instead of the visit file's frequency reference.")
@click.option("--tone-source", type=click.Choice(["acoustic", "electrical"]), help="How a test tone got into the set.")
@click.option("--transmission", "numbers", type=click.IntRange(1), multiple=True, help="Which of those found; from 1.")
@click.option("--note", default="", help="A sentence to file with it.")
@visit_option
def check(
    check_id: str,
    source: str,
    seconds: float | None,
    centre: float | None,
    rate: float | None,
    gain: float | None,
    reference: tuple[float, float] | None,
    tone_source: str | None,
    numbers: tuple[int, ...],
    note: str,
    visit_path: Path,
) -> None:
    """Do one measured CHECK: from a live SOURCE, or from a recording. Every try is kept."""
    from sdrcheck.cli.visit import show_check
    from sdrcheck.evidence import case

    wanted, folder = may_be_recorded(visit_path, check_id)
    live = is_live(source)
    if live:
        show_check(wanted)
        recording = capture(folder, wanted, source, seconds, centre, rate, gain)
    else:
        recording = Path(source)
    filed = file_recording(
        visit_path,
        check_id,
        recording,
        choose=lambda found: _places(numbers, found),
        how="live" if live else "recording",
        reference=reference,
        tone_source=tone_source,
        note=note,
    )
    one = case.gather(visit_path, now=now_utc(), masked=False).check(wanted.id)
    _show(one, filed.number)


def may_be_recorded(visit_path: Path, check_id: str) -> tuple[Check, Path]:
    """The check and the visit's folder; raises VisitError where it takes no recording, or its gate is closed."""
    from sdrcheck.errors import VisitError
    from sdrcheck.visits import gates

    visit, plan, ledger, folder = opened(visit_path)
    wanted = plan.check(check_id)
    if wanted.keying is None:
        answer = "seen" if wanted.how.value == "seen" else "meter"
        raise VisitError(f"{check_id} is not answered by a recording; use: sdrcheck visit {answer} {check_id}")
    gates.require_distress_format(visit, plan, ledger, wanted)
    return wanted, folder


def file_recording(
    visit_path: Path,
    check_id: str,
    recording: Path,
    *,
    choose: Callable[[Inspection], tuple[int, ...] | None] = lambda found: None,
    how: Literal["recording", "live", "hands-free"] = "recording",
    reference: tuple[float, float] | None = None,
    tone_source: str | None = None,
    note: str = "",
    tell: Callable[[float], None] | None = None,
) -> Filed:
    """Take a recording into the visit, inspect it, and file it as a try.

    `choose` says which transmissions belong to the check; None picks those that fit. `tell` gets the part that is
    inspected, and may raise to stop: then nothing is filed.
    """
    from sdrcheck.cli.inspecting import inspected, settings_of
    from sdrcheck.evidence import filing
    from sdrcheck.visits import document

    wanted, folder = may_be_recorded(visit_path, check_id)
    visit = document.load(visit_path)
    recording = filing.attach(folder, recording)
    settings = settings_of(visit, wanted, reference=reference, tone_source=tone_source)
    found = inspected(recording, settings, tell=tell)
    return filing.file_try(
        folder,
        wanted,
        recording,
        found,
        now=now_utc(),
        who=visit.job.who,
        places=choose(found.inspection),
        how=how,
        tone_source=tone_source,
        remarks=(note,) if note else (),
    )


def _places(numbers: tuple[int, ...], found: Inspection) -> tuple[int, ...] | None:
    if not numbers:
        return None
    count = len(found.transmissions)
    if max(numbers) > count:
        raise click.BadParameter(f"the recording holds {count} transmissions, asked for was {max(numbers)}")
    return tuple(number - 1 for number in numbers)


def capture(
    folder: Path,
    wanted: Check,
    source: str,
    seconds: float | None,
    centre: float | None,
    rate: float | None,
    gain: float | None,
) -> Path:
    """Record a live source into the visit's folder; Ctrl-C ends it sooner. The recording is safe at any moment."""
    import signal

    from sdrcheck.capture.recorder import Recorder
    from sdrcheck.errors import SourceLost
    from sdrcheck.evidence.bundle import safe_name
    from sdrcheck.evidence.filing import RECORDINGS
    from sdrcheck.recordings.sigmf import META
    from sdrcheck.sources.catalogue import open_source

    assert wanted.keying is not None
    tuning = tuning_for(source, [wanted.keying.frequency_hz], centre, rate, gain)
    base = folder / RECORDINGS / f"{safe_name(wanted.id)}-{now_utc():%Y%m%dT%H%M%SZ}"
    base.parent.mkdir(parents=True, exist_ok=True)
    with closing(open_source(source, tuning)) as opened_source:
        for remark in opened_source.facts.remarks:
            say(remark)
        recorder = Recorder(opened_source, base, seconds=seconds or _seconds(wanted), description=wanted.title)
        before = signal.signal(signal.SIGINT, lambda *_: recorder.stop())
        click.echo(f"recording for {seconds or _seconds(wanted):.0f} s, Ctrl-C ends it sooner", err=True)
        try:
            captured = recorder.run()
        except SourceLost as lost:  # what came before is kept, and is filed like any other try
            say(str(lost))
            return base.with_name(base.name + META)
        finally:
            signal.signal(signal.SIGINT, before)
    if captured.lost_samples:
        say(f"{captured.lost_samples} samples were lost on the way; the recording says where")
    return captured.meta


def _seconds(wanted: Check) -> float:
    assert wanted.keying is not None
    if wanted.distress_format:
        return SECONDS["distress"]
    if wanted.keying.call is not None:
        return SECONDS["call"]
    return SECONDS["text"] if any(kind.value == "NAVTEX" for kind in wanted.keying.kinds) else SECONDS["carrier"]


def _show(one: CheckCase, number: int) -> None:
    from rich.console import Console

    from sdrcheck.findings.report_text import render_transmission

    console = Console(highlight=False)
    last = one.last
    assert last is not None
    if not last.transmissions:
        say(f"filed as entry {number}; the recording holds no keying that fits {one.check.id}")
    for place, transmission in zip(last.entry.transmissions, last.transmissions, strict=False):
        render_transmission(transmission, place + 1, console)
    for found in one.conclusions:
        say(f"{'LOOK HERE: ' if found.agrees is False else ''}{found.sentence} ({found.reason})")
    for meter, comparison in one.comparisons:
        if comparison is not None:
            say(f"{meter.quantity} by {meter.instrument or 'meter'}: {comparison.sentence}")
    say(f"proposed: {one.proposal.sentence}")
    if sys.stdout.isatty():
        say(f"set the outcome with: sdrcheck visit outcome {one.check.id} satisfactory")
