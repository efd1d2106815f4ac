"""`sdrcheck evidence`: pack, verify, report, export."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from sdrcheck.cli.visit_options import now_utc, say, visit_option

if TYPE_CHECKING:
    from sdrcheck.evidence.case import Case

REPORTS = "reports"
_CSV_START = b"\xef\xbb\xbf"
"""Tells spreadsheets that the table is UTF-8."""


@click.group()
def command() -> None:
    """The evidence of a visit: a report that can be handed over, and a bundle that anyone can verify."""


paper_option = click.option("--paper", type=click.Choice(["A4", "Letter"]), default="A4", show_default=True)
unmasked_option = click.option(
    "--show-others", is_flag=True, help="Do not mask other stations' identities and positions: only where it is needed."
)
output_option = click.option(
    "--output", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE", help="Where to write it."
)


@command.command("report")
@paper_option
@unmasked_option
@output_option
@visit_option
def report(paper: str, show_others: bool, output: Path | None, visit_path: Path) -> None:
    """Write the report of a whole visit as PDF."""
    from sdrcheck.evidence import report as reports
    from sdrcheck.evidence.renderers import typst

    case = _case(visit_path, show_others)
    _write(output or case.folder / REPORTS / "report.pdf", typst.pdf(reports.of_visit(case), typst.PAPERS[paper]))


@command.command("fault")
@click.argument("check_id", metavar="CHECK")
@paper_option
@unmasked_option
@output_option
@visit_option
def fault(check_id: str, paper: str, show_others: bool, output: Path | None, visit_path: Path) -> None:
    """Write a fault report for the workshop: the finding of one CHECK, its evidence, likely causes, next steps."""
    from sdrcheck.evidence import report as reports
    from sdrcheck.evidence.bundle import safe_name
    from sdrcheck.evidence.renderers import typst

    case = _case(visit_path, show_others)
    made = reports.of_finding(case, check_id)
    name = f"fault-{safe_name(check_id)}.pdf"
    _write(output or case.folder / REPORTS / name, typst.pdf(made, typst.PAPERS[paper]))


@command.command("export")
@click.argument("form", type=click.Choice(["csv", "json", "sentences", "sigmf", "pictures"]))
@unmasked_option
@click.option(
    "--output", type=click.Path(path_type=Path), metavar="PATH", help="A file; for sigmf and pictures a folder."
)
@visit_option
def export(form: str, show_others: bool, output: Path | None, visit_path: Path) -> None:
    """Export readings (csv, json), calls (IEC 61162-1 sentences), annotated recordings (sigmf) or pictures (SVG)."""
    from sdrcheck.evidence import export as exports

    case = _case(visit_path, show_others)
    place = case.folder / REPORTS
    if form == "csv":
        _write(output or place / "readings.csv", _CSV_START + exports.to_csv(case).encode())
    elif form == "json":
        _write(output or place / "readings.json", exports.to_json(case))
    elif form == "sentences":
        _write(output or place / "calls.txt", exports.to_sentences(case).encode())
    elif form == "sigmf":
        _export_recordings(case, output or place / "annotated")
    else:
        _export_pictures(case, output or place / "pictures")


def _export_recordings(case: Case, folder: Path) -> None:
    from sdrcheck.evidence.export import annotate
    from sdrcheck.visits import results

    done = set()
    for one in case.checks:
        for tried in one.tries:
            if tried.inspection is None or tried.entry.recording in done:
                continue
            done.add(tried.entry.recording)
            recording = results.inside(case.folder, tried.entry.recording)
            click.echo(str(annotate(recording, tried.inspection, folder)))


def _export_pictures(case: Case, folder: Path) -> None:
    from sdrcheck.evidence.bundle import safe_name
    from sdrcheck.evidence.renderers import typst

    for one in case.checks:
        if one.last is None:
            continue
        for place, pictures in enumerate(one.last.pictures, 1):
            for picture, drawn in zip(pictures, typst.svg(pictures), strict=True):
                name = safe_name(f"{one.check.id}-{place}-{picture.title}".lower())
                _write(folder / f"{name}.svg", drawn)


@command.command("pack")
@click.argument("destination", type=click.Path(file_okay=False, path_type=Path))
@click.option("--sign", "key_path", type=click.Path(path_type=Path), metavar="KEY", help="Sign with this private key.")
@click.option("--passphrase", default="", help="Of the key, where it is locked.")
@click.option("--archive-only", is_flag=True, help="Only the archive file, not the folder beside it.")
@click.option("--report/--no-report", "with_report", default=True, help="Write report and tables into it first.")
@paper_option
@unmasked_option
@visit_option
def pack(
    destination: Path,
    key_path: Path | None,
    passphrase: str,
    archive_only: bool,
    with_report: bool,
    paper: str,
    show_others: bool,
    visit_path: Path,
) -> None:
    """Pack a visit into DESTINATION: one folder and one archive, with a manifest of SHA-512 sums."""
    from sdrcheck.evidence import bundle, signing

    key = signing.read_key(key_path, passphrase) if key_path else None
    if with_report:
        _write_report(_case(visit_path, show_others), paper)
    packed = bundle.pack(visit_path, destination, key=key, now=now_utc(), with_folder=not archive_only)
    for remark in packed.remarks:
        say(remark)
    say("recordings may hold other stations' traffic; it is confidential")
    say(f"seal, to be written on paper beside the report: {packed.manifest.short_seal}")
    click.echo(str(packed.archive))


@command.command("verify")
@click.argument("bundle_path", metavar="BUNDLE", type=click.Path(path_type=Path))
@click.option("--signer", metavar="KEY", help="It must be signed with this public key (a file, or its digits).")
@click.option("--seal", default="", help="The seal as it was written on paper.")
@click.option("--again", is_flag=True, help="Measure the recordings again and compare the numbers.")
def verify(bundle_path: Path, signer: str | None, seal: str, again: bool) -> int:
    """Check a BUNDLE, folder or archive: every changed, missing, added, renamed or exchanged file is named.

    Exit status 0 when it is whole, 1 when it is not.
    """
    from sdrcheck.evidence import signing
    from sdrcheck.evidence.verify import verify as check

    found = check(bundle_path, signer=signing.read_public_key(signer) if signer else None)
    for fault in found.faults:
        say(fault.sentence)
    for remark in found.remarks:
        say(remark)
    wanted = "".join(seal.split()).lower()
    other = bool(wanted) and not found.manifest.seal.startswith(wanted)
    if other:
        say(f"the seal is {found.manifest.short_seal}, not the one on paper")
    if not found.whole or other:
        say("NOT WHOLE: it is not what was packed")
        return 1
    say(f"whole: {found.files} files, made {found.manifest.made}")
    say(f"signed by the key {found.signed_by}" if found.signed_by else "not signed")
    return 0 if not again or _measured_again(bundle_path) else 1


def _measured_again(path: Path) -> bool:
    """Inspect all recordings once more; tell whether everything came out again."""
    import tempfile

    from sdrcheck.cli.inspecting import inspected_again
    from sdrcheck.evidence.again import measure_again
    from sdrcheck.evidence.verify import unpack

    with tempfile.TemporaryDirectory(prefix="sdrcheck-again-") as scratch:
        folder = path if path.is_dir() else unpack(path, Path(scratch))
        same = True
        for found in measure_again(folder, inspected_again):
            for difference in found.differences:
                say(difference)
            same = same and not found.differences
            word = "the same" if not found.differences else "NOT the same"
            say(f"{found.recording}: {found.compared} findings measured again, {word}")
    return same


@command.command("key")
@click.argument("path", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--passphrase", default="", help="Lock the key with it.")
def key(path: Path, passphrase: str) -> None:
    """Make a key to sign with: PATH, for you alone, and PATH.pub, to hand out."""
    from sdrcheck.evidence import signing

    public = signing.make_key(path, passphrase)
    say(f"keep {path} to yourself; hand out {public}, in another way than the bundles")
    click.echo(public.read_text(encoding="ascii").strip())


def _write_report(case: Case, paper: str) -> None:
    from sdrcheck.evidence import export as exports
    from sdrcheck.evidence import report as reports
    from sdrcheck.evidence.renderers import typst

    _write(case.folder / REPORTS / "report.pdf", typst.pdf(reports.of_visit(case), typst.PAPERS[paper]))
    _write(case.folder / REPORTS / "readings.csv", _CSV_START + exports.to_csv(case).encode())
    _write(case.folder / REPORTS / "readings.json", exports.to_json(case))


def _case(visit_path: Path, show_others: bool) -> Case:
    from sdrcheck.evidence import case

    return case.gather(visit_path, now=now_utc(), masked=not show_others)


def _write(path: Path, data: bytes) -> None:
    from sdrcheck.errors import VisitError
    from sdrcheck.visits.document import write_whole

    try:
        write_whole(path, data)
    except OSError as problem:
        raise VisitError(f"{path} cannot be written ({problem.strerror}); choose another place") from None
    click.echo(str(path))
