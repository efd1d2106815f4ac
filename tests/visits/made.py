"""Invented findings made by hand, for tests of what stands on an inspection. Nothing here was ever on the air."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

from sdrcheck.decoders.dsc.call import Call, OrdinaryReceiver, Position
from sdrcheck.findings.inspection import (
    AppliedLimit,
    BudgetTerm,
    Inspection,
    Kind,
    Reading,
    RecordingFacts,
    ReferenceFacts,
    Relation,
    Transmission,
)
from sdrcheck.visits import document, results
from sdrcheck.visits.ship import Visit

NOW = dt.datetime(2026, 3, 2, 9, 30, tzinfo=dt.UTC)

VISIT = """\
schema = "sdrcheck.visit/1"
# the office's own remark, to be kept
title = "Periodical survey of an invented ship"
invented = true

[job]
who = "N. N., invented technician"
where = "Quay 7, invented harbour"
latitude = 54.175
longitude = 12.083
started = 2026-03-02T08:00:00Z

[ship]
name = "INVENTED EXAMPLE"
call_sign = "XX0TEST"
mmsi = "211999990"   # invented
imo_number = "9074729"
flag = "Germany"
sea_areas = ["A1", "A2"]

[[sets]]
id = "vhf-1"
kind = "VHF DSC"
maker = "invented"
closed_cable = true
supplies = ["main", "reserve"]

[[sets]]
id = "vhf-2"
kind = "VHF DSC"
closed_cable = true

[[sets]]
id = "mf-1"
kind = "MF DSC"
closed_cable = true

[[sets]]
id = "navtex-1"
kind = "NAVTEX"

[[instruments]]
id = "wattmeter"
name = "through-line wattmeter"
due = 2026-12-31

[[attenuation]]
name = "load with sampler"
db = 40.0

[[attenuation]]
name = "pad"
db = 30.0

[reference]
correction_ppm = 2.7
uncertainty_ppm = 0.6
method = "counter on the same carrier"
taken = 2026-03-02T08:10:00Z

[clock]
ship_utc = 2026-03-02T08:05:00Z
laptop_utc = 2026-03-02T08:05:02Z
"""


def visit(text: str = VISIT) -> Visit:
    return document.parse(text)


def folder_with_visit(path: Path, text: str = VISIT) -> Path:
    path.mkdir(parents=True, exist_ok=True)
    (path / document.FILE_NAME).write_text(text, encoding="utf-8")
    return path


TOLERANCE = AppliedLimit(low=-1568.0, high=1568.0, id="V02", source="RR Appendix 2", standing="regulation", mark="S")
DEVIATION = AppliedLimit(low=None, high=5000.0, id="V11", source="47 CFR 80.213(a)(2)", standing="regulation", mark="S")


def reading(quantity: str, value: float, unit: str, uncertainty: float = 0.0, **more: Any) -> Reading:
    return Reading(quantity=quantity, value=value, unit=unit, uncertainty=uncertainty, **more)


def carrier(
    channel: str,
    frequency_hz: float,
    *,
    start_s: float = 1.0,
    duration_s: float = 5.0,
    offset_hz: float = 120.0,
    level_dbfs: float = -20.0,
    verdict: str | None = "pass",
    kind: Kind = Kind.CARRIER,
    condition: str = "unmodulated",
) -> Transmission:
    """A silent carrier on a VHF channel, its offset known to ±94 Hz of which the reference takes all but 2 Hz."""
    return Transmission(
        start_s=start_s,
        duration_s=duration_s,
        start_utc=None,
        frequency_hz=frequency_hz,
        channel=channel,
        leg=None,
        emission="N0N",
        kind=kind,
        condition=condition,
        readings=(
            reading(
                "carrier offset",
                offset_hz,
                "Hz",
                94.0,
                limit=TOLERANCE if verdict else None,
                verdict=verdict,
                terms=(
                    BudgetTerm(name="frequency reference", standard=0.3e-6 * frequency_hz, distribution="normal"),
                    BudgetTerm(name="estimator noise", standard=1.0, distribution="normal"),
                ),
            ),
            reading("level", level_dbfs, "dBFS", 0.4),
        ),
    )


def call(**changes: Any) -> Call:
    fields: dict[str, Any] = {
        "start_s": 2.0,
        "end_s": 2.45,
        "type": "test call",
        "format": "individual station",
        "category": "safety",
        "self_id": "211999990",
        "address": "002119999",
        "telecommand_1": "test",
        "end_of_sequence": "acknowledgement requested (RQ)",
        "symbols": (120, 0, 21, 19, 99, 90, 108, 21, 19, 99, 99, 0, 118, 126, 126, 126, 126, 126, 126, 117, 5),
        "error_check": "ok",
        "first_copy": (120, 0, 21, 19, 99, 90, 108, 21, None, 99, 99, 0, 118, 126, 126, 126, 126, 126, 126, 117, 5),
        "second_copy": (120, 0, 21, 19, 99, 90, 108, 21, 19, 99, 99, 0, 118, 126, 126, 126, 126, 126, 126, 117, 5),
        "phasing": (125, 111, 125, 110, 125, 109, 125, 108, 125, 107, 125, 106),
        "dot_pattern_bits": 20,
        "ordinary_receiver": OrdinaryReceiver(accepted=True, reason="taken"),
    }
    return Call(**(fields | changes))


def distress_call(**changes: Any) -> Call:
    return call(
        **(
            {
                "type": "distress alert",
                "format": "distress",
                "category": None,
                "address": None,
                "telecommand_1": None,
                "nature_of_distress": "undesignated distress",
                "position": Position(latitude=54 + 10 / 60, longitude=12 + 4 / 60, resolution_minutes=1.0),
                "utc": "09:28",
            }
            | changes
        )
    )


def call_transmission(*calls: Call, frequency_hz: float = 156_525_000.0, start_s: float = 2.0) -> Transmission:
    return Transmission(
        start_s=start_s,
        duration_s=0.45 * max(len(calls), 1),
        start_utc=None,
        frequency_hz=frequency_hz,
        channel="70" if frequency_hz == 156_525_000.0 else "2187.5",
        leg=None,
        emission="G2B",
        kind=Kind.DSC_CALL,
        condition="call",
        readings=(
            reading("tone B", 2101.0, "Hz", 1.2),
            reading("modulation index, B", 1.97, "rad", 0.05),
        ),
        calls=calls or (call(),),
    )


def inspection(
    *transmissions: Transmission,
    path: str = "recordings/x.sigmf-data",
    start_utc: str | None = "2026-03-02T09:29:00Z",
    duration_s: float = 60.0,
    relations: tuple[Relation, ...] = (),
    **facts: Any,
) -> Inspection:
    return Inspection(
        recording=RecordingFacts(
            **(
                {
                    "path": path,
                    "sha512": "ab" * 64,
                    "hash_matches": True,
                    "sample_rate_hz": 240_000.0,
                    "centre_frequency_hz": 156_600_000.0,
                    "start_utc": start_utc,
                    "duration_s": duration_s,
                    "clipped_fraction": 0.0,
                    "lost_samples": 0,
                }
                | facts
            )
        ),
        reference=ReferenceFacts(correction_ppm=2.7, uncertainty_ppm=0.6, source="counter on the same carrier"),
        limit_set="marine",
        transmissions=transmissions,
        relations=relations,
    )


def file_try(folder: Path, check: str, made: Inspection, places: tuple[int, ...] = (0,), **more: Any) -> results.Try:
    """File an inspection and a try that stands on it, as the command does."""
    data = made.to_json()
    name = f"inspections/{check.replace('/', '-')}-{len(list((folder / 'inspections').glob('*'))) + 1}.json"
    document.write_whole(folder / name, data)
    entry = results.Try(
        utc=more.pop("utc", NOW),
        check=check,
        recording=made.recording.path,
        recording_sha512=made.recording.sha512,
        inspection=name,
        inspection_sha512=results.sha512_of(data),
        transmissions=places,
        **more,
    )
    results.add(folder, entry)
    return entry
