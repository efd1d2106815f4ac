"""Findings for other programs: readings as CSV and JSON, calls as IEC 61162-1 sentences, recordings with annotations.

Everything comes from the same objects as the report, masked the same way.
"""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import unicodedata
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec

from sdrcheck import __version__
from sdrcheck.channels.channel import Mark
from sdrcheck.channels.plan import channel_at, occupied_hz
from sdrcheck.decoders.dsc import fields
from sdrcheck.decoders.dsc.call import Call
from sdrcheck.decoders.dsc.symbols import EndOfSequence, Format
from sdrcheck.errors import VisitError
from sdrcheck.evidence.case import Case, CheckCase
from sdrcheck.findings.inspection import Inspection, Reading, Transmission
from sdrcheck.findings.wording import format_limit, format_reading
from sdrcheck.recordings import open_recording, sigmf
from sdrcheck.recordings.recording import Recording

READINGS_SCHEMA = "sdrcheck.readings/1"
COLUMNS = (
    "check", "set", "supply", "try", "utc", "frequency_hz", "channel", "emission", "condition", "quantity", "value",
    "uncertainty", "unit", "shown", "limit_low", "limit_high", "limit_shown", "limit_id", "standing", "verdict",
    "meter", "meter_uncertainty", "e_n", "recording",
)  # fmt: skip

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%")


class ReadingRow(msgspec.Struct, frozen=True, kw_only=True):
    """One reading with everything that belongs to it: the reading is the inspection's own object."""

    check: str
    set: str | None
    supply: str
    attempt: int
    utc: str
    transmission: Transmission
    reading: Reading
    meter: float | None
    meter_uncertainty: float | None
    e_n: float | None
    recording: str


def rows(case: Case) -> Iterator[ReadingRow]:
    """Every reading of every try of a visit, in working order."""
    for one in case.checks:
        for number, tried in enumerate(one.tries, 1):
            last = number == len(one.tries)
            for transmission in tried.transmissions:
                for reading in transmission.readings:
                    comparison = _beside(one, reading) if last else None
                    yield ReadingRow(
                        check=one.check.id,
                        set=one.check.set_id,
                        supply=tried.entry.supply,
                        attempt=number,
                        utc=f"{tried.entry.utc:%Y-%m-%dT%H:%M:%SZ}",
                        transmission=transmission,
                        reading=reading,
                        meter=comparison.meter if comparison else None,
                        meter_uncertainty=comparison.meter_uncertainty if comparison else None,
                        e_n=comparison.e_n if comparison else None,
                        recording=tried.entry.recording,
                    )


def _beside(one: CheckCase, reading: Reading) -> Any:
    return next((found for _, found in one.comparisons if found and found.quantity == reading.quantity), None)


# -- tables -----------------------------------------------------------------------------------------------------------


def to_csv(case: Case) -> str:
    """All readings as a table for spreadsheets; text that could be taken for a formula is disarmed."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for row in rows(case):
        found, limit = row.reading, row.reading.limit
        writer.writerow(
            cell(value)
            for value in (
                row.check, row.set, row.supply, row.attempt, row.utc, row.transmission.frequency_hz,
                row.transmission.channel, row.transmission.emission, row.transmission.condition, found.quantity,
                found.value, found.uncertainty, found.unit, format_reading(found),
                limit.low if limit else None, limit.high if limit else None, format_limit(limit, found.unit),
                limit.id if limit else None, limit.standing if limit else None, found.verdict,
                row.meter, row.meter_uncertainty, row.e_n, row.recording,
            )
        )  # fmt: skip
    return out.getvalue()


def cell(value: object) -> str:
    """One cell: numbers as they are, text so that no spreadsheet takes it for a formula or is turned round by it."""
    if value is None:
        return ""
    if isinstance(value, float | int) and not isinstance(value, bool):
        return repr(value)
    text = "".join(letter if _plain(letter) else f"U+{ord(letter):04X}" for letter in str(value))
    # A spreadsheet trims blanks and knows full-width signs before it looks for a formula.
    start = unicodedata.normalize("NFKC", text).lstrip()
    return f"'{text}" if start.startswith(_FORMULA) else text


def _plain(letter: str) -> bool:
    return unicodedata.category(letter) not in ("Cc", "Cf", "Co", "Cn", "Cs", "Zl", "Zp")


def to_json(case: Case) -> bytes:
    """All readings and calls as one JSON document, readings as an inspection holds them."""
    document = {
        "schema": READINGS_SCHEMA,
        "made_by": f"sdrcheck {__version__}",
        "invented": case.visit.invented,
        "ship": {"name": case.visit.ship.name, "mmsi": case.visit.ship.mmsi, "imo_number": case.visit.ship.imo_number},
        "limit_set": case.visit.job.limit_set,
        "checks": [
            {
                "check": one.check.id,
                "set": one.check.set_id,
                "how": one.check.how.value,
                "outcome": one.outcome,
                "reason": case.mask.text(one.state.outcome.reason) if one.state.outcome else "",
                "proposed": one.proposal.outcome or None,
                "proposed_because": list(one.proposal.reasons),
                "conclusions": [
                    {"about": found.about, "agrees": found.agrees, "sentence": found.sentence, "reason": found.reason}
                    for found in one.conclusions
                ],
                "meters": [
                    {
                        "quantity": meter.quantity,
                        "value": meter.value,
                        "unit": meter.unit,
                        "uncertainty": meter.uncertainty,
                        "e_n": comparison.e_n if comparison else None,
                    }
                    for meter, comparison in one.comparisons
                ],
                "tries": [
                    {
                        "utc": f"{tried.entry.utc:%Y-%m-%dT%H:%M:%SZ}",
                        "supply": tried.entry.supply,
                        "recording": tried.entry.recording,
                        "inspection": tried.entry.inspection,
                        "transmissions": tried.transmissions,
                        "trouble": tried.trouble or None,
                    }
                    for tried in one.tries
                ],
            }
            for one in case.checks
            if one.state.begun
        ],
        "across": [
            {"about": found.about, "agrees": found.agrees, "sentence": found.sentence, "reason": found.reason}
            for found in case.across
        ],
    }
    return msgspec.json.format(msgspec.json.encode(document), indent=2) + b"\n"


# -- IEC 61162-1 ------------------------------------------------------------------------------------------------------

SENTENCE_MARK = Mark.MEMORY
"""Field lists of DSC and DSE are from memory of public documentation of sentence parsers; the checksums of the
examples remembered from there come out right, which a wrong memory of a field would have broken."""

_FITS = {
    fields.CallType.DISTRESS_ALERT,
    fields.CallType.TEST_CALL,
    fields.CallType.TEST_ACKNOWLEDGEMENT,
    fields.CallType.POSITION_REQUEST,
    fields.CallType.POSITION_REPLY,
}
_ENDS = {EndOfSequence.ACKNOWLEDGE_RQ: "R", EndOfSequence.ACKNOWLEDGE_BQ: "B", EndOfSequence.OTHER: "S"}


def sentences(call: Call) -> tuple[str, ...]:
    """A call as DSC (and DSE) sentences; none where its error check failed or its fields do not fit the sentence."""
    if call.type not in _FITS or call.error_check not in ("ok", "inferred") or not call.self_id:
        return ()
    if not re.fullmatch(r"[0-9]{9}", call.self_id) or any(symbol < 0 for symbol in call.symbols):
        return ()
    distress = call.type == fields.CallType.DISTRESS_ALERT
    fine = call.position is not None and call.position.resolution_minutes < 1
    parts = [
        f"{(Format.DISTRESS if distress else Format.INDIVIDUAL) - 100:02d}",
        f"{call.self_id}0",
        "12" if distress else _two(fields.CATEGORIES, call.category),
        _two(fields.NATURES, call.nature_of_distress)
        if distress
        else _two(fields.FIRST_TELECOMMANDS, call.telecommand_1),
        _two(fields.FIRST_TELECOMMANDS, call.subsequent_communication)
        if distress
        else _two(fields.SECOND_TELECOMMANDS, call.telecommand_2),
        _position(call),
        (call.utc or "").replace(":", ""),
        "",
        "",
        next((letter for symbol, letter in _ENDS.items() if fields.ENDS[symbol].words == call.end_of_sequence), ""),
        "E" if fine else "",
    ]
    said = [sentence("CDDSC", parts)]
    if fine:
        said.append(sentence("CDDSE", ["1", "1", "A", f"{call.self_id}0", "00", _fraction(call)]))
    return tuple(said)


def sentence(name: str, parts: list[str]) -> str:
    """An IEC 61162-1 sentence with its checksum: exclusive or of all characters between $ and *."""
    body = ",".join([name, *parts])
    checksum = 0
    for letter in body.encode("ascii"):
        checksum ^= letter
    return f"${body}*{checksum:02X}"


def _two(table: dict[int, fields.Meaning], words: str | None) -> str:
    """The last two digits of the symbol that these words stand for."""
    return next((f"{symbol - 100:02d}" for symbol, meaning in table.items() if meaning.words == words), "")


def _position(call: Call) -> str:
    if call.position is None:
        return ""
    return "".join(f"{part:02d}" for part in fields.pack_position(call.position.latitude, call.position.longitude))


def _fraction(call: Call) -> str:
    assert call.position is not None
    return "".join(f"{part:02d}" for part in fields.position_fraction(call.position.latitude, call.position.longitude))


def to_sentences(case: Case) -> str:
    """Every call of a visit that fits a sentence, one a line; what does not fit is named in a comment line."""
    lines: list[str] = []
    for one in case.checks:
        for tried in one.tries:
            for transmission in tried.transmissions:
                for call in transmission.calls:
                    said = sentences(call)
                    lines += said or [f"# {one.check.id}: {call.type}, does not fit a sentence"]
    return "".join(f"{line}\r\n" for line in lines)


# -- annotated recordings ---------------------------------------------------------------------------------------------


def annotate(recording: Path, inspection: Inspection, destination: Path) -> Path:
    """Write a copy of a recording as SigMF with one annotation a transmission; gives the description's path."""
    base = destination / sigmf.base_of(recording).name
    opened = open_recording(recording)
    try:
        destination.mkdir(parents=True, exist_ok=True)
        meta = _copied(recording, opened, base)
        document = json.loads(meta.read_text(encoding="utf-8"))
        entries = [*document.get("annotations", []), *(_annotation(opened, t) for t in inspection.transmissions)]
        document["annotations"] = sorted(entries, key=lambda entry: entry["core:sample_start"])
        meta.write_text(json.dumps(document, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    except OSError as problem:
        raise VisitError(f"the annotated recording cannot be written to {destination} ({problem.strerror})") from None
    return meta


def _copied(recording: Path, opened: Recording, base: Path) -> Path:
    meta = base.with_name(base.name + sigmf.META)
    if meta.exists():
        raise VisitError(f"{meta} is there already; choose another folder")
    if recording.suffix in (sigmf.META, sigmf.DATA):
        shutil.copyfile(recording.with_suffix(sigmf.META), meta)
        shutil.copyfile(recording.with_suffix(sigmf.DATA), base.with_name(base.name + sigmf.DATA))
        return meta
    with sigmf.Writer(
        base, opened.datatype, opened.sample_rate_hz, opened.centre_hz, start_utc=opened.start_utc, facts=opened.facts
    ) as writer:
        for raw, _ in opened.blocks():
            writer.append(raw)
    return meta


def _annotation(opened: Recording, transmission: Transmission) -> dict[str, object]:
    rate = opened.sample_rate_hz
    first = _place_in_file(opened, round(transmission.start_s * rate))
    last = _place_in_file(opened, round((transmission.start_s + transmission.duration_s) * rate))
    channel = channel_at(transmission.frequency_hz)
    low, high = occupied_hz(channel) if channel else (transmission.frequency_hz - 8e3, transmission.frequency_hz + 8e3)
    said = [format_reading(one) for one in transmission.readings if one.quantity == "carrier offset"]
    comment = [
        transmission.condition,
        *(f"carrier offset {one}" for one in said),
        *(c.type for c in transmission.calls),
    ]
    return {
        "core:sample_start": first,
        "core:sample_count": max(1, last - first),
        "core:freq_lower_edge": low,
        "core:freq_upper_edge": high,
        "core:label": f"{transmission.channel or ''} {transmission.kind.value}".strip()[:20],
        "core:comment": "; ".join(comment),
        "core:generator": f"sdrcheck {__version__}",
    }


def _place_in_file(opened: Recording, sample: int) -> int:
    """Where a sample counted with the lost ones lies in the file."""
    lost = 0
    for segment in opened.segments:
        if sample < segment.first + lost + segment.lost_before:
            break
        lost += segment.lost_before
    return min(max(sample - lost, 0), opened.sample_count - 1)
