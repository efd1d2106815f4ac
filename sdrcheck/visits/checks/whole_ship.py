"""What is checked once a ship: arrival, papers, energy, and everything restored at the end."""

from __future__ import annotations

from collections.abc import Iterator

from sdrcheck.channels.channel import Mark
from sdrcheck.limits.limit import Standing
from sdrcheck.visits.checks import cautions
from sdrcheck.visits.checks.check import Check, How, MeterWanted, Stage

PRACTICE = "order of work that proves itself: practice"
SURVEY = "radio survey items: IMO A.1186(33), annex 1, part R"


def checks() -> Iterator[Check]:
    """The checks that belong to the ship and not to one set."""
    yield Check(
        "ship/arrival",
        None,
        "Leave to work and to transmit",
        How.SEEN,
        Stage.ARRIVAL,
        (
            "Master, port and terminal agree: work aloft, transmitting, and what is ruled out (tankers: no MF/HF).",
            "Agree who keys the sets. Tag the distress buttons.",
            "Tell the nearest coast station where tests go on the air.",
            "Write down UTC, position, berth, weather, supply voltage; compare the laptop's clock with the ship's UTC.",
        ),
        PRACTICE,
        Mark.PRACTICE,
        None,
        cautions=(cautions.DISTRESS, cautions.RF_EXPOSURE),
    )
    yield Check(
        "ship/papers",
        None,
        "Certificates, record of equipment, licences, log, maintenance",
        How.SEEN,
        Stage.PAPERS,
        (
            "Safety radio certificate with its record of equipment (Form R); ship station licence: call sign, MMSI.",
            "Operators' certificates, radio log, maintenance agreement or statement of duplication.",
            "Antenna drawing, battery records, EPIRB data, last report.",
        ),
        SURVEY,
        Mark.SEEN,
        Standing.SURVEY_ITEM,
    )
    yield Check(
        "ship/energy",
        None,
        "Reserve source of energy",
        How.METERED,
        Stage.SUPPLIES,
        (
            "Capacity by calculation and load test; voltage on load at the radio terminals; charger; lights.",
            "1 h where the emergency source complies, 6 h where it does not.",
        ),
        "SOLAS IV/13; 47 CFR 80.1099",
        Mark.SEEN,
        Standing.SURVEY_ITEM,
        cautions=(cautions.BATTERY,),
        meters=(
            MeterWanted("supply voltage at the radio terminals", "V"),
            MeterWanted("reserve load current", "A"),
        ),
    )
    yield Check(
        "ship/restored",
        None,
        "Everything back as it was",
        How.SEEN,
        Stage.RESTORE,
        (
            "Antennas back (after distress-format tests only through the gate), tags off, channel and power back.",
            "Each test in the radio log, with any cancelled alert; signed.",
        ),
        PRACTICE,
        Mark.PRACTICE,
        None,
    )


NOT_COVERED = (
    "This plan is the second witness's own list. It is not the statutory list of survey items: the surveyor, the "
    "survey guidelines in force and the flag's rules decide what has to be examined.",
    "Power, line quality and frequency of record need calibrated instruments (for example: frequency ten times better "
    "than the tolerance, wattmeter within 5 %, calibrated every year). The dongle stands beside them.",
    "Not covered at all: receiver sensitivity and selectivity without a generator, antennas aloft, cabinet radiation "
    "and spurious emissions, EPIRB code and frequency, satellite terminals, AIS, radar, battery capacity.",
)
"""What the plan cannot do, said on its first page."""
