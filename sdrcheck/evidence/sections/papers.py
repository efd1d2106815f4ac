"""The ship's papers, the sets, the instruments, and how everything was connected."""

from __future__ import annotations

from collections.abc import Iterator

from sdrcheck.evidence.blocks import Block, Cell, Column, Facts, Heading, Listing, Paragraph, Section, Table
from sdrcheck.evidence.case import Case
from sdrcheck.findings.wording import format_value
from sdrcheck.visits.ship import Reference, Visit


def section(case: Case) -> Section:
    """Papers, sets, instruments, chain, clock."""
    return Section("papers", tuple(_blocks(case)), new_page=True)


def _blocks(case: Case) -> Iterator[Block]:
    visit = case.visit
    yield Heading(1, "Papers, sets and instruments")
    if case.doubts:
        yield Paragraph("In the papers, look at this first:", style="strong")
        yield Listing(tuple(f"{doubt.field}: {doubt.sentence}." for doubt in case.doubts))
    if visit.ship.certificates:
        yield Table(
            (Column("Certificate", 3), Column("Number", 2), Column("Expires", 1)),
            tuple(
                (Cell(one.name), Cell(one.number), Cell(one.expires.isoformat() if one.expires else "not stated"))
                for one in visit.ship.certificates
            ),
            small=True,
        )
    yield Heading(2, "Sets")
    yield Table(
        (
            Column("Set", 1.1),
            Column("Kind", 1),
            Column("Maker, model, serial", 2.2),
            Column("Software, channel table", 1.5),
            Column("Identity by the papers", 1.2),
            Column("Connected", 2.4),
        ),
        tuple(
            (
                Cell(radio.id),
                Cell(radio.kind.value),
                Cell(_joined(radio.maker, radio.model, radio.serial)),
                Cell(_joined(radio.software, radio.channel_file)),
                Cell(visit.identity_of(radio) or "not stated"),
                Cell(_joined("closed cable" if radio.closed_cable else "not a closed cable", radio.connection)),
            )
            for radio in visit.sets
        ),
        small=True,
    )
    yield Heading(2, "Instruments and receiver")
    if visit.instruments:
        yield Table(
            (Column("Instrument", 2), Column("Maker, serial", 2), Column("Certificate", 2), Column("Due", 1)),
            tuple(
                (
                    Cell(f"{one.name} ({one.id})"),
                    Cell(_joined(one.maker, one.serial)),
                    Cell(_joined(one.certificate, one.uncertainty)),
                    Cell(one.due.isoformat() if one.due else "not stated"),
                )
                for one in visit.instruments
            ),
            small=True,
        )
    else:
        yield Paragraph("No calibrated instrument is listed, so nothing here is held against one.", style="strong")
    yield Facts(tuple(_receiver(visit)), columns=1)
    if visit.job.notes or visit.job.transmit_permission:
        yield Facts(
            tuple(
                row
                for row in (
                    ("Leave to transmit", visit.job.transmit_permission),
                    ("Notes", visit.job.notes),
                )
                if row[1]
            ),
            columns=1,
        )


def _receiver(visit: Visit) -> Iterator[tuple[str, str]]:
    dongle = visit.dongle
    if dongle:
        gain = f"gain {dongle.gain_db:g} dB" if dongle.gain_db is not None else ""
        warm = f"warm for {dongle.warm_up_minutes:g} min" if dongle.warm_up_minutes is not None else ""
        degrees = f"{dongle.temperature_c:g} °C" if dongle.temperature_c is not None else ""
        yield "Receiver dongle", _joined(dongle.name, dongle.serial, gain, warm, degrees)
    total = sum(part.db for part in visit.attenuation)
    yield "From set to dongle", f"{visit.chain}" + (f", together {total:g} dB" if len(visit.attenuation) > 1 else "")
    yield "Frequency reference", reference_text(visit.reference)
    if visit.clock:
        clock = visit.clock
        difference = format_value(clock.laptop_minus_ship_s, clock.uncertainty_s, "s", signed=True)
        yield "Clocks", f"laptop minus ship's UTC {difference}, compared at {clock.ship_utc:%H:%M:%S} UTC"
    else:
        yield "Clocks", "laptop and ship's UTC were not compared"


def reference_text(reference: Reference | None) -> str:
    """The frequency reference in words."""
    if reference is None:
        return "none: an uncorrected dongle, whose frequencies can hardly be judged"
    value = format_value(reference.correction_ppm, reference.uncertainty_ppm, "ppm", signed=True)
    taken = f", {reference.taken:%Y-%m-%d %H:%M} UTC" if reference.taken else ""
    return f"δ = {value} (k = 2), {reference.method or 'method not stated'}{taken}"


def _joined(*words: str) -> str:
    return ", ".join(word for word in words if word) or "not stated"
