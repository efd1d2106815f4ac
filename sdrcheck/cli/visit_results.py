"""`sdrcheck visit meter | seen | outcome`: what instruments, eyes and ears say, and what a person decides."""

from __future__ import annotations

from pathlib import Path

import click

from sdrcheck.cli.visit_options import now_utc, opened, say, visit_option


@click.command("meter")
@click.argument("check_id", metavar="CHECK")
@click.argument("quantity")
@click.argument("value", type=float)
@click.argument("unit")
@click.option("--uncertainty", type=click.FloatRange(0, min_open=True), help="Expanded, k = 2, in the same unit.")
@click.option("--instrument", default="", help="Its id in the visit file.")
@click.option("--note", default="")
@visit_option
def meter(
    check_id: str,
    quantity: str,
    value: float,
    unit: str,
    uncertainty: float | None,
    instrument: str,
    note: str,
    visit_path: Path,
) -> None:
    """File what a calibrated instrument showed, such as `forward power` 22.5 W, and hold it against the recording."""
    from sdrcheck.errors import VisitError
    from sdrcheck.visits import results
    from sdrcheck.visits.meters import compare

    visit, plan, ledger, folder = opened(visit_path)
    check = plan.check(check_id)
    known = {wanted.quantity: wanted.unit for wanted in check.meters}
    if known.get(quantity, unit) != unit:
        raise VisitError(f"{check_id}: {quantity} is written in {known[quantity]}, not in {unit}")
    if instrument and visit.instrument_named(instrument) is None:
        ids = ", ".join(one.id for one in visit.instruments) or "none"
        raise VisitError(f"there is no instrument {instrument!r} in the visit file; there are: {ids}")
    entry = results.MeterReading(
        utc=now_utc(),
        check=check.id,
        quantity=quantity,
        value=value,
        unit=unit,
        uncertainty=uncertainty,
        instrument=instrument,
        supply=check.supply,
        note=note,
        who=visit.job.who,
    )
    results.add(folder, entry)
    if quantity not in known and check.meters:
        say(f"filed, though this check asks for {', '.join(known)}")
    tries = ledger.of_check(check.id).tries
    found = ledger.transmissions(tries[-1]) if tries else ()
    comparison = compare(entry, found[0]) if found else None
    say(comparison.sentence if comparison else "filed; the recordings hold nothing that could be held against it")


@click.command("seen")
@click.argument("check_id", metavar="CHECK")
@click.option("--yes/--no", "as_it_should", required=True, help="It was as it should be, or not.")
@click.option("--note", default="", help="What was seen; needed with --no.")
@visit_option
def seen(check_id: str, as_it_should: bool, note: str, visit_path: Path) -> None:
    """File what a person saw or heard."""
    from sdrcheck.visits import results

    visit, plan, _, folder = opened(visit_path)
    check = plan.check(check_id)
    results.add(
        folder,
        results.Seen(utc=now_utc(), check=check.id, as_it_should=as_it_should, note=note, who=visit.job.who),
    )


@click.command("outcome")
@click.argument("check_id", metavar="CHECK")
@click.argument("word", type=click.Choice(["satisfactory", "deficient", "not applicable", "not done"]))
@click.option("--reason", default="", help="Why; needed for all but satisfactory.")
@visit_option
def outcome(check_id: str, word: str, reason: str, visit_path: Path) -> None:
    """Set the outcome of a CHECK. Earlier words are kept; the last one counts."""
    from sdrcheck.evidence import case
    from sdrcheck.visits import gates, results

    visit, plan, ledger, folder = opened(visit_path)
    check = plan.check(check_id)
    if check.id == "ship/restored" and word == "satisfactory":
        for radio in visit.sets:
            gates.require_order(plan, ledger, radio, "antenna back")
    proposal = case.gather(visit_path, now=now_utc(), masked=False).check(check.id).proposal
    results.add(
        folder,
        results.Outcome(
            utc=now_utc(),
            check=check.id,
            outcome=word,  # type: ignore[arg-type]
            reason=reason,
            proposed=proposal.outcome,
            who=visit.job.who,
        ),
    )
    if proposal.outcome and proposal.outcome != word:
        say(f"filed; the tool had proposed {proposal.sentence}")
