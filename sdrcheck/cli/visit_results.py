"""`sdrcheck visit meter | seen | outcome`: what instruments, eyes and ears say, and what a person decides."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from sdrcheck.cli.arguments import IDENTITIES, LETTERS, NUMBER, Number
from sdrcheck.cli.visit_options import now_utc, opened, say, visit_option

if TYPE_CHECKING:
    from sdrcheck.stations.printout import Comparison as TextComparison
    from sdrcheck.visits.meters import Comparison
    from sdrcheck.visits.proposal import Proposal


@click.command("meter")
@click.argument("check_id", metavar="CHECK")
@click.argument("quantity")
@click.argument("value", type=NUMBER)
@click.argument("unit")
@click.option("--uncertainty", type=Number(above=0), help="Expanded, k = 2, in the same unit.")
@click.option("--instrument", default="", help="Its id in the visit file.")
@click.option("--note", default="", help="A sentence to file with it.")
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
    known, comparison = file_meter(
        visit_path, check_id, quantity, value, unit, uncertainty=uncertainty, instrument=instrument, note=note
    )
    if known and quantity not in known:
        say(f"filed, though this check asks for {', '.join(known)}")
    say(comparison.sentence if comparison else "filed; the recordings hold nothing that could be held against it")


def file_meter(
    visit_path: Path,
    check_id: str,
    quantity: str,
    value: float,
    unit: str,
    *,
    uncertainty: float | None = None,
    instrument: str = "",
    note: str = "",
) -> tuple[tuple[str, ...], Comparison | None]:
    """File a reading; gives the quantities that the check asks for, and the reading held against the last try."""
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
    tries = ledger.of_check(check.id).tries
    found = ledger.transmissions(tries[-1]) if tries else ()
    return tuple(known), compare(entry, found[0]) if found else None


@click.command("seen")
@click.argument("check_id", metavar="CHECK")
@click.option("--yes/--no", "as_it_should", required=True, help="It was as it should be, or not.")
@click.option("--note", default="", help="What was seen; needed with --no.")
@visit_option
def seen(check_id: str, as_it_should: bool, note: str, visit_path: Path) -> None:
    """File what a person saw or heard."""
    file_seen(visit_path, check_id, as_it_should, note)
    say(f"filed: {check_id} seen, {'as it should be' if as_it_should else 'not as it should be'}")


def file_seen(visit_path: Path, check_id: str, as_it_should: bool, note: str) -> None:
    """File what a person saw or heard; a note is needed where it was not as it should be."""
    from sdrcheck.visits import results

    visit, plan, _, folder = opened(visit_path)
    check = plan.check(check_id)
    results.add(
        folder,
        results.Seen(utc=now_utc(), check=check.id, as_it_should=as_it_should, note=note, who=visit.job.who),
    )


@click.command("printout")
@click.argument("check_id", metavar="CHECK")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--stations", type=LETTERS, default="", help="Station letters selected on the ship's receiver, for example LS."
)
@click.option("--rejected", type=LETTERS, default="", help="Subject letters rejected on it, for example EF.")
@click.option("--stored", type=IDENTITIES, default="", help="Identities it held before, for example LB20,LE31.")
@visit_option
def printout(
    check_id: str, file: Path, stations: str, rejected: str, stored: tuple[str, ...], visit_path: Path
) -> None:
    """File what the ship's own text receiver printed, and hold it against the last recording of the CHECK."""
    found = file_printout(
        visit_path,
        check_id,
        file,
        stations=stations,
        rejected=rejected,
        stored=stored,
    )
    if found is None:
        say("filed; nothing was recorded for this check yet that it could be held against")
        return
    for pair in found.pairs:
        say(f"{pair.identity or 'without identity'}: {pair.verdict.value}. {' '.join(pair.reasons)}")
    say(found.conclusion)


def file_printout(
    visit_path: Path, check_id: str, file: Path, *, stations: str = "", rejected: str = "", stored: tuple[str, ...] = ()
) -> TextComparison | None:
    """File a print-out; gives it held against the last try, or None where there is none."""
    from sdrcheck.errors import VisitError
    from sdrcheck.evidence.bundle import safe_name
    from sdrcheck.findings.inspection import Kind
    from sdrcheck.visits import results, text_side
    from sdrcheck.visits.document import write_whole

    visit, plan, ledger, folder = opened(visit_path)
    check = plan.check(check_id)
    if check.keying is None or Kind.NAVTEX not in check.keying.kinds:
        raise VisitError(f"{check_id} is not about received text, so a print-out does not belong to it")
    try:
        data = file.read_bytes()
    except OSError as problem:
        raise VisitError(f"the print-out {file} cannot be read ({problem.strerror})") from None
    name = f"{text_side.FOLDER}/{now_utc():%Y%m%dT%H%M%SZ}-{safe_name(file.name)}"
    entry = results.Printout(
        utc=now_utc(),
        check=check.id,
        file=name,
        file_sha512=results.sha512_of(data),
        stations=stations,
        rejected=rejected,
        stored=stored,
        who=visit.job.who,
    )
    tries = ledger.of_check(check.id).tries
    compared = text_side.of_bytes(data, entry, ledger.transmissions(tries[-1]) if tries else ())
    found = compared if tries else None
    write_whole(folder / name, data)
    results.add(folder, entry)
    return found


@click.command("outcome")
@click.argument("check_id", metavar="CHECK")
@click.argument("word", type=click.Choice(["satisfactory", "deficient", "not applicable", "not done"]))
@click.option("--reason", default="", help="Why; needed for all but satisfactory.")
@visit_option
def outcome(check_id: str, word: str, reason: str, visit_path: Path) -> None:
    """Set the outcome of a CHECK. Earlier words are kept; the last one counts."""
    proposal = file_outcome(visit_path, check_id, word, reason)
    differs = proposal.outcome and proposal.outcome != word
    say(f"filed: {check_id} {word}" + (f"; the tool had proposed {proposal.sentence}" if differs else ""))


def file_outcome(visit_path: Path, check_id: str, word: str, reason: str) -> Proposal:
    """File a person's outcome; gives what the tool had proposed."""
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
    return proposal
