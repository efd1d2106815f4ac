"""`sdrcheck watch`: an unattended watch, and what it kept."""

from __future__ import annotations

import itertools
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

import click

from sdrcheck.cli.arguments import DURATION, MMSI, WATTS, Number
from sdrcheck.cli.options import (
    SOURCE_HELP,
    Judging,
    cautions_for,
    channels_inside,
    channels_named,
    is_live,
    judging_options,
    tell,
    tuning,
    tuning_options,
)

if TYPE_CHECKING:
    from sdrcheck.channels.channel import Channel
    from sdrcheck.receiver.attenuation import Element
    from sdrcheck.sources.source import IqBlock, IqSource
    from sdrcheck.watching.policy import Policy
    from sdrcheck.watching.watch import Watch, Watched


@click.command()
@click.option("--from", "source", metavar="SOURCE", help=SOURCE_HELP)
@tuning_options
@judging_options
@click.option("--channel", "channels", multiple=True, help="Watch this channel; may be given more than once.")
@click.option("--all", "everything", is_flag=True, help="Watch everything in the span, on and off the plan.")
@click.option("--into", type=click.Path(file_okay=False, path_type=Path), default=Path("watch"), show_default=True)
@click.option("--for", "how_long", type=DURATION, help="Stop after this long: 12h, 90m or 45s.")
@click.option("--only", type=click.Choice(["calls", "messages", "voice"]), help="Keep only these.")
@click.option("--own", multiple=True, type=MMSI, help="Identity of a set under test; may be given more than once.")
@click.option("--others", is_flag=True, help="Keep other stations' calls too; local law decides whether you may.")
@click.option(
    "--memory",
    type=Number(5, 3600),
    default=120.0,
    show_default=True,
    help="Seconds of rolling memory; 4.8 MB each at 2.4M.",
)
@click.option("--before", type=Number(0), default=2.0, show_default=True, help="Seconds kept from before a keying.")
@click.option(
    "--disk",
    type=Number(above=0),
    default=10.0,
    show_default=True,
    help="Disk budget in GB; oldest unmarked go first.",
)
@click.option(
    "--record",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Record everything, too; after a loss anew beside it.",
)
@click.option("--listen", metavar="CHANNEL", help="Hear this channel meanwhile.")
@click.option("--device", help="Sound device to hear it on; the usual one if not named.")
@click.option("--full", is_flag=True, help="Print all that is known of each kept keying below its line.")
@click.option("--power", type=WATTS, help="Name the transmitter to be keyed, for example 25W: is the chain safe?")
@click.option("--list", "listing", is_flag=True, help="Of a watch's folder: what it kept, and a summary a day.")
@click.option("--show", metavar="NAME", help="Of a watch's folder: all that is known of one event, or `last`.")
@click.option("--mark", metavar="NAME", help="Of a watch's folder: never remove this event, or `last`.")
@click.option("--unmark", metavar="NAME", help="Of a watch's folder: take the mark off again.")
def command(
    source: str | None,
    centre: float | None,
    rate: float | None,
    gain: float | None,
    speed: float,
    judging: Judging,
    channels: tuple[str, ...],
    everything: bool,
    into: Path,
    how_long: float | None,
    only: str | None,
    own: tuple[str, ...],
    others: bool,
    memory: float,
    before: float,
    disk: float,
    record: Path | None,
    listen: str | None,
    device: str | None,
    full: bool,
    power: float | None,
    listing: bool,
    show: str | None,
    mark: str | None,
    unmark: str | None,
) -> None:
    """Watch channels, and keep each keying with what came before it, inspected.

    Every kept keying is a recording with its inspection beside it; a journal says what was heard, lost or let go.
    Calls between other stations are counted and masked, and kept only with --others. Nothing is transmitted.

    With --list, --show, --mark or --unmark nothing is watched: they look after the folder of a watch, one that is going
    on, too. A NAME may be a part of it.
    """
    from sdrcheck.watching.policy import Policy

    policy = Policy(only=only, own=frozenset(own), others=others, before_s=before, budget_bytes=round(disk * 1e9))
    if listing or show or mark or unmark:
        if source is not None:
            raise click.UsageError("--list, --show, --mark and --unmark look after a folder; leave out --from")
        _look_after(into, policy, listing, show, mark, unmark)
        return
    if source is None:
        raise click.UsageError("name what to watch with --from SOURCE")
    if bool(channels) == everything:
        raise click.UsageError("name what to watch with --channel, or take everything in the span with --all")
    if device is not None and listen is None:
        raise click.UsageError("--device plays what --listen names; give a channel with --listen")
    watched = channels_named(channels) if channels else None
    heard = channels_named((listen,)) if listen else ()
    if record is not None:
        _refuse_to_record(record)
    wanted = tuning(source, centre, rate, gain, speed, None if watched is None else (*watched, *heard))
    _check_chain(power, judging.chain, wanted.centre_hz, gain)

    import time

    from sdrcheck.sources.catalogue import open_source
    from sdrcheck.watching.journal import JOURNAL, daily_summary
    from sdrcheck.watching.watch import Watch

    deadline = None if how_long is None else time.monotonic() + how_long
    opened = open_source(source, wanted)
    try:
        if watched is not None:
            watched = channels_inside(opened.facts, watched)
        with _ear(opened, heard, device) as hear:
            watch = Watch(
                into,
                judging.settings(opened, watched),
                policy,
                memory_s=memory,
                deadline=deadline,
                hear=hear,
                record=record,
            )
            _stop_on_signals(watch)
            lines = watch.run(opened, (lambda: open_source(source, wanted)) if is_live(source) else None)
            started = next(lines)  # nobody is to key anything for a watch that does not start
            hears_calls = watched is None or any(channel.calling for channel in watched)
            with _printing(sys.stderr):
                cautions_for(source)
                for remark in opened.facts.remarks:
                    tell(remark, err=True)
                if hears_calls and not own and not others and only in (None, "calls"):
                    click.echo("no --own identity: calls are told of, masked, but none is kept", err=True)
            for one in itertools.chain((started,), lines):
                with _printing(sys.stdout, f"no more lines are printed; they are all in {into / JOURNAL}"):
                    _print(one, policy, full)
    finally:
        opened.close()
    with _printing(sys.stderr):
        click.echo(daily_summary(into), err=True)


@contextmanager
def _printing(stream: TextIO, instead: str = "") -> Iterator[None]:
    """Print to a stream; one that takes no more (its terminal closed, its disk full) is let go of, and said instead."""
    try:
        yield
    except OSError:
        with suppress(OSError):  # what is printed from now on goes nowhere, and what still waits there, too
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
        if instead:
            with _printing(sys.stderr):
                click.echo(instead, err=True)


def _stop_on_signals(watch: Watch) -> None:
    """Ctrl-C ends the watch cleanly, a second one at once; a terminal that goes away ends it cleanly, too."""
    import signal

    def stop(number: int, frame: object) -> None:
        watch.stop()
        signal.signal(number, signal.default_int_handler)

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, stop)
    hangup = getattr(signal, "SIGHUP", None)
    if hangup is not None and signal.getsignal(hangup) is not signal.SIG_IGN:  # `nohup` goes on without a terminal
        signal.signal(hangup, lambda number, frame: watch.stop())


@contextmanager
def _ear(opened: IqSource, places: tuple[Channel, ...], device: str | None) -> Iterator[Callable[[IqBlock], None]]:
    """What hears every block: nobody, or one channel's loudspeaker."""
    if not places:
        yield lambda block: None
        return
    from contextlib import closing

    from sdrcheck.cli.listen import device_named
    from sdrcheck.watching.demodulation import Demodulator
    from sdrcheck.watching.ear import Ear
    from sdrcheck.watching.loudspeaker import Loudspeaker

    chosen = channels_inside(opened.facts, places)[0]
    with closing(Loudspeaker(device_named(device))) as loudspeaker:
        yield Ear(
            Demodulator(opened.facts, chosen.frequency_hz, chosen.emission),
            loudspeaker,
            _no_more_sound,
        ).take


def _no_more_sound(problem: str) -> None:
    with _printing(sys.stderr):
        click.echo(f"no more sound: {problem}", err=True)


def _print(watched: Watched, policy: Policy, full: bool) -> None:
    from sdrcheck.recordings.utc import utc_moment

    line = watched.line
    tell(f"{utc_moment(line.utc):%H:%M:%S}Z {line.event:8}{line.sentence}", indent=18)
    if full and line.event == "kept" and watched.transmission is not None:
        from rich.console import Console

        from sdrcheck.evidence.masking import Mask
        from sdrcheck.findings.report_text import render_transmission

        shown = Mask(policy.own, off=policy.others).transmission(watched.transmission)
        render_transmission(shown, 1, Console(highlight=False))


def _look_after(
    folder: Path, policy: Policy, listing: bool, show: str | None, mark: str | None, unmark: str | None
) -> None:
    from sdrcheck.watching import journal

    for name, marked in ((mark, True), (unmark, False)):
        if name is not None:
            whole = journal.named(folder, name)
            journal.mark(folder, whole, marked=marked)
            click.echo(f"{whole} is {'marked: it stays' if marked else 'no longer marked'}")
    if show is not None:
        _show(folder, journal.named(folder, show), policy)
    if listing:
        for name in journal.kept_names(folder):
            click.echo(f"{'marked ' if journal.is_marked(folder, name) else '       '}{name}")
        click.echo(journal.daily_summary(folder))


def _show(folder: Path, name: str, policy: Policy) -> None:
    """Print the inspection of one event; what belongs to other stations is masked unless asked for."""
    import msgspec
    from rich.console import Console

    from sdrcheck.errors import RecordingError
    from sdrcheck.evidence.masking import Mask
    from sdrcheck.findings.inspection import Inspection
    from sdrcheck.findings.report_text import render
    from sdrcheck.watching.journal import INSPECTION

    path = folder / (name + INSPECTION)
    try:
        inspection = Inspection.from_json(path.read_bytes())
    except (OSError, msgspec.DecodeError):
        raise RecordingError(
            f"{path} is not there or cannot be read; make it anew: sdrcheck inspect {folder / name}"
        ) from None
    mask = Mask(policy.own, off=policy.others)
    shown = msgspec.structs.replace(
        inspection, transmissions=tuple(mask.transmission(one) for one in inspection.transmissions)
    )
    render(shown, Console(highlight=False))


def _refuse_to_record(record: Path) -> None:
    from sdrcheck.errors import RecordingError
    from sdrcheck.recordings.sigmf import META, base_of

    base = base_of(record)
    if not base.name:
        raise click.BadParameter("the recording of everything needs a name", param_hint="--record")
    if not base.parent.is_dir():
        raise RecordingError(f"there is no folder {base.parent} to record into; make it, or name another")
    if base.with_name(base.name + META).exists():
        raise RecordingError(f"{base.name}{META} exists already; choose another name, recordings are never overwritten")


def _check_chain(
    power_w: float | None, chain: tuple[Element, ...] | None, centre_hz: float | None, gain_db: float | None
) -> None:
    """The first thing asked when a transmitter is named: is the chain before the dongle safe?"""
    from sdrcheck.errors import ReceiverError
    from sdrcheck.receiver import attenuation

    if power_w is None:
        return
    if chain is None:
        raise click.UsageError("a transmitter is named with --power, so name the chain before the dongle with --chain")
    found = attenuation.assess(power_w, chain, centre_hz, gain_db)
    tell(f"chain: {found.verdict}. {' '.join(found.reasons)}", err=True)
    if found.verdict is attenuation.Verdict.NOT_SAFE:
        raise ReceiverError("the chain is not safe for that transmitter; see sdrcheck attenuation")
