"""Annex: the recordings, what is known of them, and their hashes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from sdrcheck.channels.plan import frequency_text
from sdrcheck.evidence.blocks import Block, Facts, Heading, Paragraph, Section
from sdrcheck.evidence.case import Case, CheckCase, TryCase
from sdrcheck.findings.wording import format_duration, format_value


def section(case: Case) -> Section:
    """Every recording a try stands on."""
    return Section("recordings", tuple(blocks(case.checks)))


def blocks(checks: Iterable[CheckCase]) -> Iterator[Block]:
    """Facts and SHA-512 of each recording and inspection."""
    yield Heading(1, "Annex: recordings and hashes")
    tries: dict[tuple[str, str], tuple[TryCase, list[str]]] = {}
    for one in checks:
        for tried in one.tries:
            key = (tried.entry.recording, tried.entry.inspection)
            tries.setdefault(key, (tried, []))[1].append(one.check.id)
    if not tries:
        yield Paragraph("There are no recordings.")
        return
    yield Paragraph(
        "SHA-512 of the samples as they came, and of the inspection file. The bundle's manifest holds the sums of all "
        "files, this report included; its seal belongs on paper beside this report.",
        style="small",
    )
    for tried, ids in tries.values():
        yield Paragraph(tried.entry.recording, style="label")
        yield Facts(tuple(_rows(tried, ids)), columns=1)


def _rows(tried: TryCase, ids: list[str]) -> Iterator[tuple[str, str]]:
    entry = tried.entry
    yield "For", ", ".join(ids)
    if tried.inspection is not None:
        facts = tried.inspection.recording
        centre = frequency_text(facts.centre_frequency_hz)
        known = f"{format_duration(facts.duration_s)} at {facts.sample_rate_hz / 1e3:g} kS/s around {centre}"
        start = f", from {facts.start_utc}" if facts.start_utc else ", start not known"
        lost = f", {facts.lost_samples} samples lost" if facts.lost_samples else ", no samples lost"
        clipped = f", {facts.clipped_fraction:.3%} clipped" if facts.clipped_fraction else ""
        yield "Samples", known + start + lost + clipped
        reference = tried.inspection.reference
        delta = format_value(reference.correction_ppm, reference.uncertainty_ppm, "ppm", signed=True)
        yield "Reference", f"corrected by δ = {delta} (k = 2): {reference.source}"
        seal = {
            True: "the samples fit the seal made when they were recorded",
            False: "THE SAMPLES DO NOT FIT their seal",
            None: "no seal was made when they were recorded",
        }[facts.hash_matches]
        yield "Seal", seal
    yield "SHA-512, samples", tried.sha512 or "not known"
    yield "SHA-512, inspection", entry.inspection_sha512
