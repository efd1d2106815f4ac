"""`sdrcheck inspect`: everything found in a recording."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sdrcheck.cli.arguments import FREQUENCY
from sdrcheck.cli.options import Judging, judging_options

if TYPE_CHECKING:
    from sdrcheck.bench import Event
    from sdrcheck.findings.inspection import Inspection

STRICT_STATUS = 3
_LOWEST_TONE_HZ, _HIGHEST_TONE_HZ = 300.0, 3000.0
_FRAMES_PER_S = 2.0  # only to show how far it has come


def _tones(ctx: click.Context, param: click.Parameter, tones: tuple[float, ...]) -> tuple[float, ...]:
    for tone in tones:
        if not _LOWEST_TONE_HZ <= tone <= _HIGHEST_TONE_HZ:
            raise click.BadParameter(
                f"{tone:g} Hz does not pass a set's sideband; give the tone at the microphone, 300 to 3000 Hz",
                ctx,
                param,
            )
    return tones


@click.command("inspect")
@click.argument("recording", metavar="RECORDING")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document and nothing else.")
@click.option(
    "--output", type=click.Path(dir_okay=False), metavar="FILE", help="Write the JSON document to a file, too."
)
@click.option("--strict", is_flag=True, help="Exit with 3 when a verdict is `fail` or a call did not decode.")
@judging_options
@click.option(
    "--tone",
    "tones",
    type=FREQUENCY,
    multiple=True,
    callback=_tones,
    help="A known test tone at the set, for J3E; repeatable.",
)
@click.option("--rate", type=FREQUENCY, help="Samples a second of a bare .cu8 file, for example 1.024M.")
@click.option("--side", type=click.Choice(["left", "right"]), help="The channel of a WAV file that is receiver sound.")
@click.option("--centre", type=FREQUENCY, help="Centre frequency of a file that does not say, for example 156.75M.")
def command(
    recording: str,
    as_json: bool,
    output: str | None,
    strict: bool,
    judging: Judging,
    tones: tuple[float, ...],
    rate: float | None,
    side: str | None,
    centre: float | None,
) -> int:
    """Find, measure, decode and judge everything in RECORDING (SigMF, .cu8, WAV)."""
    from dataclasses import replace

    from sdrcheck.bench import SourceFault, collect, run
    from sdrcheck.errors import RecordingError
    from sdrcheck.sources.recording import RecordingSource

    source = RecordingSource(recording, rate, centre, side=side)
    shown = sys.stderr.isatty()
    chosen = replace(judging.settings(source), frames_per_s=_FRAMES_PER_S if shown else 0.0, tones_hz=tones)
    stopped: list[str] = []

    def watched(events: Iterable[Event]) -> Iterator[Event]:
        for event in events:
            if isinstance(event, SourceFault) and event.stopped:
                stopped.append(event.sentence)
            yield event

    count = source.facts.sample_count
    events = watched(run(source, chosen))
    inspection = collect(
        _with_progress(events, count / source.facts.sample_rate_hz if count else None) if shown else events
    )
    if stopped and not inspection.transmissions:
        raise RecordingError(stopped[0])
    if output is not None:
        _write(Path(output), inspection)
    _print(inspection, as_json)
    if stopped:
        raise RecordingError(stopped[0])
    return STRICT_STATUS if strict and _is_wanting(inspection) else 0


def _with_progress(events: Iterable[Event], duration_s: float | None) -> Iterator[Event]:
    """Show on standard error how far the recording is read."""
    from rich.console import Console
    from rich.progress import Progress

    from sdrcheck.bench import SpectrumFrame

    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("reading the recording", total=duration_s)
        for event in events:
            if isinstance(event, SpectrumFrame):
                progress.update(task, completed=event.start_s + event.duration_s)
            yield event


def _print(inspection: Inspection, as_json: bool) -> None:
    if as_json:
        click.echo(inspection.to_json().decode())
        return
    from rich.console import Console

    from sdrcheck.findings.report_text import render

    render(inspection, Console(highlight=False))


def _write(path: Path, inspection: Inspection) -> None:
    from sdrcheck.errors import RecordingError

    try:
        path.write_bytes(inspection.to_json() + b"\n")
    except OSError as problem:
        raise RecordingError(f"{path} cannot be written ({problem.strerror}); choose another place") from None


def _is_wanting(inspection: Inspection) -> bool:
    """Whether anything failed for certain, or a call could not be read whole."""
    from sdrcheck.findings.inspection import Kind
    from sdrcheck.verdicts.judge import Verdict

    for transmission in inspection.transmissions:
        if any(reading.verdict == Verdict.FAIL for reading in transmission.readings):
            return True
        if transmission.kind is Kind.DSC_CALL and (
            not transmission.calls or any(call.error_check not in ("ok", "inferred") for call in transmission.calls)
        ):
            return True
    return False
