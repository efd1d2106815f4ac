"""Checks of a NAVTEX receiver: it is heard beside the dongle, never keyed."""

from __future__ import annotations

from collections.abc import Iterator

from sdrcheck.channels.channel import Mark
from sdrcheck.findings.inspection import Kind
from sdrcheck.limits.limit import Standing
from sdrcheck.visits.checks import cautions
from sdrcheck.visits.checks.check import Check, How, Keying, Stage
from sdrcheck.visits.ship import RadioSet

SURVEY = "radio survey items for NAVTEX: IMO A.1186(33), annex 1, part R"
INTERNATIONAL_HZ = 518_000.0


def checks(radio: RadioSet) -> Iterator[Check]:
    """The checks of one NAVTEX receiver."""

    def seen(slug: str, title: str, stage: Stage, *do: str) -> Check:
        return Check(
            f"{radio.id}/{slug}", radio.id, title, How.SEEN, stage, do, SURVEY, Mark.MEMORY, Standing.SURVEY_ITEM
        )

    yield seen(
        "antenna",
        "Antenna, connectors, earth and supply looked at",
        Stage.COLD,
        "Plates, antenna, connectors, earth; supply and quick change-over.",
    )
    yield seen("self-test", "Self-test, paper, lamp, alarm, clock", Stage.SELF_TEST, "Run its own self-test.")
    yield seen(
        "selection",
        "Stations and subjects chosen as the ship needs them",
        Stage.RECEIVE,
        "The stations of her waters are chosen; A, B, D and L cannot be left out, and number 00 always prints.",
    )
    yield Check(
        id=f"{radio.id}/518-received",
        set_id=radio.id,
        title="518 kHz: a scheduled broadcast received, held against the ship's print-out",
        how=How.MEASURED,
        stage=Stage.RECEIVE,
        do=(
            "Start recording 518 kHz on arrival, with a short whip or the receiver's own antenna through a splitter.",
            "Silence proves nothing unless a station was due: sdrcheck stations.",
            "Keep the ship's print-out of the same message and hold it against the decode: sdrcheck printout.",
        ),
        basis=f"{SURVEY}: live reception during a scheduled slot or a recent stored message",
        mark=Mark.MEMORY,
        standing=Standing.SURVEY_ITEM,
        cautions=(cautions.SECRECY,),
        keying=Keying(INTERNATIONAL_HZ, "518", kinds=(Kind.NAVTEX,)),
        quantities=("carrier offset", "shift", "modulation rate"),
    )
