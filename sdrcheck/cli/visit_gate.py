"""`sdrcheck visit gate`: the leak check before any distress format, and the way back to the antenna."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sdrcheck.cli.arguments import NUMBER
from sdrcheck.cli.options import is_live
from sdrcheck.cli.visit_check import capture
from sdrcheck.cli.visit_options import now_utc, opened, say, visit_option

if TYPE_CHECKING:
    from sdrcheck.visits.checks.check import Check
    from sdrcheck.visits.gates import Gate
    from sdrcheck.visits.plan import Plan

SECONDS = {"leak check": 30.0, "silence": 310.0}
STEPS = ("leak check", "alert cancelled", "set restarted", "silence", "antenna back")


@click.command("gate")
@click.argument("set_id", metavar="SET")
@click.argument("step", type=click.Choice(STEPS), required=False)
@click.option("--from", "source", metavar="SOURCE", help="Leak check and silence: a live source, or what was captured.")
@click.option("--gain", type=NUMBER, help="Tuner gain in dB, for a live source.")
@click.option("--listener", default="", help="Leak check: which second receiver listened, where and how.")
@click.option("--heard/--not-heard", default=None, help="Leak check: did the second receiver hear the test call?")
@click.option("--note", default="")
@visit_option
def gate(
    set_id: str,
    step: str | None,
    source: str | None,
    gain: float | None,
    listener: str,
    heard: bool | None,
    note: str,
    visit_path: Path,
) -> None:
    """Show the gates of a SET, or file a STEP through them.

    Before any distress format: `leak check`. Before the antenna goes back: `alert cancelled`, `set restarted`,
    `silence` (five minutes, captured), then `antenna back`.
    """
    from sdrcheck.errors import VisitError
    from sdrcheck.visits import gates

    visit, plan, ledger, folder = opened(visit_path)
    radio = gates.find_set(visit, set_id)
    if step is None:
        _show(gates.distress_format(visit, plan, ledger, radio), "a distress format may be keyed")
        _show(gates.antenna_back(plan, ledger, radio), "the antenna may go back")
        return
    recording = None
    if step in SECONDS:
        if source is None:
            raise click.UsageError(f"the {step} needs a recording: --from")
        if step == "leak check" and heard is None:
            raise click.UsageError("say whether the second receiver heard the test call: --heard or --not-heard")
        gates.require_order(plan, ledger, radio, step)
        recording = Path(source)
        if is_live(source):
            recording = capture(folder, distress_check(plan, set_id, step), source, SECONDS[step], None, None, gain)
    passed, detail = file_step(visit_path, set_id, step, recording, listener=listener, heard=bool(heard), note=note)
    say(f"{step}: {'passed' if passed else 'NOT passed'}" + (f", {detail}" if detail else ""))
    if not passed:
        raise VisitError(f"{set_id}: the {step} did not pass: {detail}")


def file_step(
    visit_path: Path,
    set_id: str,
    step: str,
    recording: Path | None = None,
    *,
    listener: str = "",
    heard: bool = False,
    note: str = "",
    tell: Callable[[float], None] | None = None,
) -> tuple[bool, str]:
    """File a step through the gates of a set; gives whether it passed, and why.

    `recording` witnesses a leak check or a silence; `tell` gets the part of it that is inspected, and may raise to
    stop: then nothing is filed.
    """
    from sdrcheck.visits import gates, results

    visit, plan, ledger, folder = opened(visit_path)
    gates.require_order(plan, ledger, gates.find_set(visit, set_id), step)
    passed, detail = True, note
    witness: str | None = None
    inspection: str | None = None
    if recording is not None:
        witness, inspection, passed, detail = _witnessed(visit_path, set_id, step, recording, listener, heard, tell)
    results.add(
        folder,
        results.GateStep(
            utc=now_utc(),
            set=set_id,
            step=step,  # type: ignore[arg-type]
            passed=passed,
            detail=" ".join(word for word in (detail, note if note != detail else "") if word),
            recording=witness,
            inspection=inspection,
            chain=visit.chain,
            who=visit.job.who,
        ),
    )
    return passed, detail


def distress_check(plan: Plan, set_id: str, step: str) -> Check:
    """The distress-format check of a set; raises VisitError where none is planned, so that it needs no such step."""
    from sdrcheck.errors import VisitError

    keyed = next((check for check in plan.of_set(set_id) if check.distress_format and check.keying), None)
    if keyed is None:
        raise VisitError(f"no distress-format check is planned for {set_id}, so it needs no {step}")
    return keyed


def _witnessed(
    visit_path: Path,
    set_id: str,
    step: str,
    recording: Path,
    listener: str,
    heard: bool,
    tell: Callable[[float], None] | None,
) -> tuple[str, str, bool, str]:
    import msgspec

    from sdrcheck.cli.inspecting import inspected, settings_of
    from sdrcheck.errors import VisitError
    from sdrcheck.evidence import filing
    from sdrcheck.visits import gates

    visit, plan, ledger, folder = opened(visit_path)
    radio = gates.find_set(visit, set_id)
    keyed = distress_check(plan, set_id, step)
    assert keyed.keying is not None
    recording = filing.attach(folder, recording)
    found = inspected(recording, settings_of(visit, None), tell=tell)
    name = filing.inside_path(folder, recording)
    found = filing.Inspected(
        msgspec.structs.replace(
            found.inspection, recording=msgspec.structs.replace(found.inspection.recording, path=name)
        ),
        found.pictures,
    )
    kept, _ = filing.keep_inspection(folder, f"{set_id}-{step}", found)
    if step == "leak check":
        return name, kept, *gates.leak_check(plan, radio, found.inspection, listener=listener, heard=heard)
    restarted = [one.utc for one in ledger.gate_steps(set_id) if one.step == "set restarted" and one.passed]
    if not restarted:
        raise VisitError(f"{set_id}: the set was not restarted yet, so a silence proves nothing")
    return name, kept, *gates.silence(found.inspection, keyed.keying.frequency_hz, restarted[-1])


def _show(found: Gate, what: str) -> None:
    say(f"{what}: {'yes' if found.open else 'no'}")
    for wanted in found.wanted:
        say(f"- wanted: {wanted}")
