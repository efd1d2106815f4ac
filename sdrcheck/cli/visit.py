"""`sdrcheck visit`: the job aboard, from the papers in the office to the last outcome."""

from __future__ import annotations

import importlib
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sdrcheck.cli.visit_options import now_utc, opened, say, visit_option

if TYPE_CHECKING:
    from sdrcheck.visits.checks.check import Check

_ELSEWHERE = {  # name -> (module, its command): imported only when asked for
    "check": ("sdrcheck.cli.visit_check", "check"),
    "run": ("sdrcheck.cli.visit_run", "run"),
    "meter": ("sdrcheck.cli.visit_results", "meter"),
    "seen": ("sdrcheck.cli.visit_results", "seen"),
    "printout": ("sdrcheck.cli.visit_results", "printout"),
    "outcome": ("sdrcheck.cli.visit_results", "outcome"),
    "gate": ("sdrcheck.cli.visit_gate", "gate"),
}


class _Group(click.Group):
    """Subcommands of other files beside those of this one."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return ["new", "set", "schema", "show", "plan", *_ELSEWHERE]

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name in _ELSEWHERE:
            module, attribute = _ELSEWHERE[name]
            found = getattr(importlib.import_module(module), attribute)
            assert isinstance(found, click.Command)
            return found
        return super().get_command(ctx, name)


@click.group(cls=_Group)
def command() -> None:
    """The job aboard: papers, plan, checks, gates, outcomes.

    A visit is a folder with one file, visit.toml, that you write; what is done aboard is filed beside it. The tool
    proposes, a person decides. It certifies nothing and never transmits.
    """


@command.command("new")
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option("--ship", "ship_name", required=True, help="The ship's name.")
@click.option("--who", required=True, help="Who does the job.")
@click.option("--set", "kinds", multiple=True, metavar="KIND", help="A set aboard: VHF DSC, MF/HF DSC, NAVTEX, …")
def new(folder: Path, ship_name: str, who: str, kinds: tuple[str, ...]) -> None:
    """Make FOLDER with a visit file to fill in."""
    from sdrcheck.errors import VisitError
    from sdrcheck.visits import document
    from sdrcheck.visits.ship import SetKind

    known = {kind.value.casefold(): kind for kind in SetKind}
    wrong = [kind for kind in kinds if kind.casefold() not in known]
    if wrong:
        raise click.BadParameter(f"{wrong[0]!r} is no kind of set; there are {', '.join(SetKind)}", param_hint="--set")
    path = folder / document.FILE_NAME
    if path.exists():
        raise VisitError(f"{path} is there already; edit it, or choose another folder")
    text = document.blank(ship_name, who, now_utc(), tuple(known[kind.casefold()] for kind in kinds))
    try:
        document.write_whole(path, text.encode())
    except OSError as problem:
        raise VisitError(f"{path} cannot be written ({problem.strerror}); choose another folder") from None
    click.echo(str(path))


@command.command("set")
@click.argument("field")
@click.argument("value")
@visit_option
def set_field(field: str, value: str, visit_path: Path) -> None:
    """Set one FIELD of the visit file, like `ship.mmsi` or `sets.vhf-1.serial`, and keep everything else as it is.

    What becomes doubtful in the papers by it is said; the value stands.
    """
    from sdrcheck.visits import document, ship

    today = now_utc().date()
    before = ship.doubts(document.load(visit_path), today)
    for doubt in ship.doubts(document.change(visit_path, field, value), today):
        if doubt not in before:
            click.echo(f"look at {doubt.field}: {doubt.sentence}", err=True)


@command.command("schema")
def schema() -> None:
    """Print the JSON Schema of the visit file."""
    import json

    from sdrcheck.visits import document

    click.echo(json.dumps(document.json_schema(), indent=2, ensure_ascii=False))


@command.command("show")
@visit_option
def show(visit_path: Path) -> None:
    """Show the ship, what is doubtful in her papers, how far the work is, and what comes next."""
    from sdrcheck.visits import gates, ship

    visit, plan, ledger, _ = opened(visit_path)
    say(f"{visit.ship.name}  {visit.ship.call_sign}  MMSI {visit.ship.mmsi or 'not stated'}")
    if visit.invented:
        say("An invented example: nothing in it is real.")
    for doubt in ship.doubts(visit, now_utc().date()):
        say(f"look at {doubt.field}: {doubt.sentence}")
    for remark in (*plan.remarks, *ledger.unreadable):
        say(remark)
    say("")
    groups = [(None, "the ship as a whole"), *((radio.id, radio.title) for radio in visit.sets)]
    for set_id, title in groups:
        mine = [check for check in plan.checks if check.set_id == set_id]
        settled = [check for check in mine if ledger.of_check(check.id).outcome]
        bad = [check for check in settled if ledger.of_check(check.id).outcome.outcome == "deficient"]  # type: ignore[union-attr]
        say(f"{title}: {len(settled)} of {len(mine)} settled" + (f", {len(bad)} deficient" if bad else ""))
    for radio in visit.sets:
        gate = gates.antenna_back(plan, ledger, radio)
        if not gate.open:
            say(f"{radio.id}: the antenna stays off; wanted is {gate.wanted[0]}")
    following = next((check for check in plan.checks if not ledger.of_check(check.id).outcome), None)
    if following:
        say("")
        say(f"next: {following.id}  {following.title}")


@command.command("plan")
@click.argument("check_id", required=False, metavar="[CHECK]")
@click.option("--set", "set_id", help="Only the checks of this set.")
@visit_option
def show_plan(check_id: str | None, set_id: str | None, visit_path: Path) -> None:
    """List the checks in working order, or show one CHECK whole."""
    from sdrcheck.visits import gates

    visit, plan, ledger, _ = opened(visit_path)
    if check_id:
        show_check(plan.check(check_id))
        return
    if set_id:
        gates.find_set(visit, set_id)
    width = max(len(check.id) for check in plan.checks)
    for check in plan.checks:
        if set_id and check.set_id != set_id:
            continue
        state = ledger.of_check(check.id)
        word = state.outcome.outcome if state.outcome else ("begun" if state.begun else "")
        click.echo(f"{check.id:<{width}}  {check.how.value:<8}  {word:<14}  {check.title}".rstrip())
    click.echo("")
    for sentence in plan.not_covered:
        say(sentence)


def show_check(check: Check) -> None:
    """Print what to do, what is dangerous, what is read and what it is held against."""
    from sdrcheck.findings.inspection import AppliedLimit
    from sdrcheck.findings.wording import format_limit

    say(f"{check.id}: {check.title} ({check.how.value})")
    for caution in check.cautions:
        say(f"CAUTION: {caution}")
    for number, step in enumerate(check.do, 1):
        say(f"{number}. {step}")
    if check.meters:
        say(f"beside it, by calibrated meter: {', '.join(f'{m.quantity} ({m.unit})' for m in check.meters)}")
    for limit in check.limits:
        span = format_limit(AppliedLimit.of(limit), limit.unit)
        say(
            f"limit {limit.id}: {limit.quantity} {span} "
            f"({limit.standing.value}, mark {limit.mark.value}; {limit.source})"
        )
    standing = f", {check.standing.value}" if check.standing else ""
    say(f"asked for by: {check.basis} (mark {check.mark.value}{standing})")
