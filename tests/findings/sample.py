"""A sample inspection with something of everything. Ship, identities and readings are invented."""

from sdrcheck.channels import plan
from sdrcheck.decoders.dsc.call import Call, OrdinaryReceiver, Position
from sdrcheck.decoders.navtex.message import Message, ShipReceiver
from sdrcheck.findings.inspection import Inspection, Kind, Reading, RecordingFacts, ReferenceFacts, Transmission
from sdrcheck.findings.relations import relate
from sdrcheck.limits.sets import choose
from sdrcheck.quantities import Measured, Term
from sdrcheck.verdicts.judge import judge

SHIP, COAST = "211999990", "002119999"


def reading(
    quantity: str, value: float, uncertainty: float, unit: str, emission: str, condition: str, channel: str
) -> Reading:
    found = Measured(value, unit, (Term.expanded("all of it", uncertainty),), "invented")
    limit = choose("marine", quantity, emission, condition, plan.find(channel)[0], "electrical")
    return Reading.of(quantity, found, limit, judge(found, limit).value if limit else None)


def voice() -> Transmission:
    def r(quantity: str, value: float, uncertainty: float, unit: str) -> Reading:
        return reading(quantity, value, uncertainty, unit, "G3E", "one tone", "72")

    return Transmission(
        start_s=0.5,
        duration_s=3.2,
        start_utc="2026-03-01T12:00:00.500Z",
        frequency_hz=156.625e6,
        channel="72",
        leg=None,
        emission="G3E",
        kind=Kind.VOICE,
        condition="one tone",
        readings=(
            r("carrier offset", 1180.4, 97.7, "Hz"),
            r("carrier offset, relative", 7.537, 0.624, "ppm"),
            r("level", -14.21, 0.11, "dBFS"),
            r("noise floor", -68.3, 0.3, "dBFS"),
            r("peak deviation, up", 5612.0, 119.0, "Hz"),
            r("peak deviation, down", 4950.0, 119.0, "Hz"),
            r("modulating tone", 1000.02, 0.11, "Hz"),
            r("sinad", 24.1, 1.2, "dB"),
            r("occupied bandwidth", 14_230.0, 310.0, "Hz"),
        ),
        remarks=("The deviation goes beyond ±5 kHz: look at limiter and microphone gain.",),
    )


def calling(kind: str, start_s: float, sender: str, receiver: str, *, spoiled: bool = False) -> Transmission:
    symbols = (120, 0, 21, 19, 99, 90, 108, 21, 19, 99, 99, 0, 118, 126, 126, 126, 126, 126, 126, 126, 117, 83)
    first: list[int | None] = list(symbols)
    second: list[int | None] = list(symbols)
    if spoiled:
        first[3], first[7], second[7], second[9] = None, None, None, 17
    call = Call(
        start_s=start_s,
        end_s=start_s + 0.45,
        type=kind,
        format="individual station",
        category="safety",
        self_id=sender,
        address=receiver,
        telecommand_1="test",
        telecommand_2="no information",
        end_of_sequence="acknowledgement requested (RQ)",
        symbols=symbols,
        error_check="ok",
        first_copy=tuple(first),
        second_copy=tuple(second),
        combined=(7,) if spoiled else (),
        phasing=(125,) * 6 + (111, 110, 109, 108, 107, 106, 105, 104),
        dot_pattern_bits=20,
        ordinary_receiver=OrdinaryReceiver(
            accepted=not spoiled, reason="both copies of one character are bad" if spoiled else "all checks fit"
        ),
        remarks=("Neither copy of character 8 was good; both together gave it.",) if spoiled else (),
    )

    def r(quantity: str, value: float, uncertainty: float, unit: str) -> Reading:
        return reading(quantity, value, uncertainty, unit, "G2B", "call", "70")

    return Transmission(
        start_s=start_s,
        duration_s=0.452,
        start_utc=None,
        frequency_hz=156.525e6,
        channel="70",
        leg=None,
        emission="G2B",
        kind=Kind.DSC_CALL,
        condition="call",
        readings=(
            r("carrier offset", 1178.0 if sender == SHIP else 40.0, 98.0, "Hz"),
            r("carrier offset, relative", 7.526 if sender == SHIP else 0.26, 0.63, "ppm"),
            r("level", -14.3 if sender == SHIP else -52.0, 0.1, "dBFS"),
            r("tone B", 2099.8, 1.0, "Hz"),
            r("modulation index, B", 2.236, 0.02, "rad"),
            r("modulation index, Y", 1.9, 0.02, "rad"),
            r("modulation rate", 1200.0012, 0.0034, "Bd"),
            r("modulation rate error", 1.0, 2.8, "ppm"),
        ),
        calls=(call,),
    )


def attempt() -> Transmission:
    calls = tuple(
        Call(
            start_s=30.0 + 0.45 * number,
            end_s=30.45 + 0.45 * number,
            gap_before_bits=0.1 if number else None,
            type="distress alert",
            format="distress",
            self_id=SHIP,
            nature_of_distress="undesignated distress",
            position=Position(latitude=54.1667, longitude=12.0833, resolution_minutes=1.0),
            utc="11:58",
            subsequent_communication="F3E/G3E all modes telephony",
            end_of_sequence="end of sequence",
            error_check="ok",
            symbols=(112, 21, 19),
            first_copy=(112, 21, 19),
            second_copy=(112, 21, 19),
            dot_pattern_bits=20,
            phasing=(125,) * 6 + tuple(range(111, 103, -1)) if number != 2 else (125, 125, 108),
            ordinary_receiver=OrdinaryReceiver(accepted=True, reason="all checks fit"),
        )
        for number in range(5)
    )
    return Transmission(
        start_s=30.0,
        duration_s=2.25,
        start_utc=None,
        frequency_hz=156.525e6,
        channel="70",
        leg=None,
        emission="G2B",
        kind=Kind.DSC_CALL,
        condition="call",
        calls=calls,
    )


def text() -> Transmission:
    body = "NAVIGATIONAL WARNING 12/26\r\nLIGHT BUOY UNLIT IN 54-10N 012-05E\r\nBEWA*E"
    message = Message(
        station="G",
        subject="A",
        number="12",
        body=body,
        complete=False,
        characters=len(body),
        character_errors=1,
        character_errors_repaired=1,
        first_copy_errors=3,
        second_copy_errors=2,
        character_error_ratio=1 / len(body),
        start_s=60.0,
        end_s=75.0,
        start_utc=None,
        phasing_s=10.0,
        ordinary_receiver=ShipReceiver(printed=True, stored=True, alarm=False, reason="under 4 % of characters lost"),
    )
    return Transmission(
        start_s=50.0,
        duration_s=25.0,
        start_utc=None,
        frequency_hz=518e3,
        channel="518",
        leg=None,
        emission="F1B",
        kind=Kind.NAVTEX,
        condition="message",
        messages=(message,),
    )


TRANSMISSIONS = (
    voice(),
    calling("test call", 8.0, SHIP, COAST),
    calling("test acknowledgement", 11.7, COAST, SHIP, spoiled=True),
    attempt(),
    text(),
)

SAMPLE = Inspection(
    recording=RecordingFacts(
        path="captures/invented.sigmf-meta",
        sha512="0" * 128,
        hash_matches=True,
        sample_rate_hz=1.024e6,
        centre_frequency_hz=156.6e6,
        start_utc="2026-03-01T12:00:00Z",
        duration_s=80.0,
        clipped_fraction=0.0001,
        lost_samples=0,
    ),
    reference=ReferenceFacts(correction_ppm=2.7, uncertainty_ppm=0.3, source="given on the command line"),
    limit_set="marine",
    transmissions=TRANSMISSIONS,
    relations=relate(TRANSMISSIONS),
)
