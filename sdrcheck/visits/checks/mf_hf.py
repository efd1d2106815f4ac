"""Checks of an MF or MF/HF set and its selective calling, in working order.

Radio items of the survey guidelines (IMO A.1186(33), annex 1, part R, from memory), MF/HF telephony and calling.
"""

from __future__ import annotations

from collections.abc import Iterator

from sdrcheck.channels import plan
from sdrcheck.channels.channel import Channel, Emission, Mark
from sdrcheck.errors import VisitError
from sdrcheck.findings.inspection import Kind
from sdrcheck.limits.limit import Standing
from sdrcheck.visits.checks import calls, cautions
from sdrcheck.visits.checks.check import Check, How, Keying, MeterWanted, Power, Stage
from sdrcheck.visits.ship import RadioSet, SetKind

SURVEY = "radio survey items for MF/HF: IMO A.1186(33), annex 1, part R"
MF_CALLING = ("2187.5 kHz",)
HF_CALLING = ("4207.5 kHz", "6312 kHz", "8414.5 kHz", "12577 kHz", "16804.5 kHz")
MF_VOICE = ("2182 kHz",)
HF_VOICE = ("4125 kHz", "6215 kHz", "8291 kHz", "12290 kHz", "16420 kHz")
CALL = (
    "carrier offset",
    "line B offset",
    "line Y offset",
    "shift",
    "modulation rate",
    "modulation rate error",
    "dot pattern",
)
VOICE = ("carrier offset", "level, peak envelope", "carrier suppression", "occupied bandwidth")
TWO_TONE = (*VOICE, "two-tone product, third", "two-tone product, fifth")


def checks(radio: RadioSet) -> Iterator[Check]:
    """The checks of one MF or MF/HF set."""
    high = radio.kind is SetKind.MF_HF_DSC
    yield from _looked_at(radio)
    for text in MF_VOICE + (HF_VOICE if high else ()):
        yield _voice(radio, _row(text, Emission.J3E, radio))
    yield _two_tone(radio, _row(MF_VOICE[0], Emission.J3E, radio))
    for text in radio.frequencies or MF_CALLING + (HF_CALLING if high else ()):
        yield _call(radio, _row(text, Emission.F1B, radio))
    if radio.closed_cable:
        yield _distress_format(radio, _row(MF_CALLING[0], Emission.F1B, radio))
    yield from _supplies(radio)


def _row(text: str, emission: Emission, radio: RadioSet) -> Channel:
    rows = [row for row in plan.find(text) if row.emission is emission]
    if not rows:
        raise VisitError(f"set {radio.id}: {text!r} is no {emission.value} frequency; see: sdrcheck channels")
    return rows[0]


def _hot(radio: RadioSet) -> tuple[str, ...]:
    if radio.closed_cable:
        return (cautions.CLOSED_CABLE, cautions.RF_BURN)
    return (cautions.TUNER_ON_ANTENNA, cautions.RF_BURN, cautions.RF_EXPOSURE)


def _looked_at(radio: RadioSet) -> Iterator[Check]:
    def seen(slug: str, title: str, stage: Stage, *do: str) -> Check:
        return Check(
            f"{radio.id}/{slug}",
            radio.id,
            title,
            How.SEEN,
            stage,
            do,
            SURVEY,
            Mark.MEMORY,
            Standing.SURVEY_ITEM,
            cautions=(cautions.RF_BURN,) if slug in ("antenna", "tuning") else (),
        )

    yield seen(
        "antenna",
        "Antenna, feeder, tuner and earth looked at",
        Stage.COLD,
        "Insulators, shackles, lead-in, earth strap; spare antenna.",
    )
    yield seen(
        "receiving",
        "Receiver hears known stations in all bands",
        Stage.RECEIVE,
        "Listen to a known station in each band; the controls of the bridge take priority.",
    )
    yield seen(
        "self-test",
        "Off-air self-test of the calling controller",
        Stage.SELF_TEST,
        "Run the set's own self-test; print-out where there is a printer; alarm heard at the conning position.",
    )
    yield seen(
        "identity-shown",
        "Identity, position and time shown",
        Stage.SELF_TEST,
        "Read the MMSI from the set's display, digit by digit, against the papers.",
        "Position and UTC shown and fresh.",
    )
    yield seen(
        "watch-frequencies",
        "Watch receiver keeps the right frequencies",
        Stage.RECEIVE,
        "Only distress and safety calling frequencies: 2187.5, 8414.5 and one more at least on an HF set.",
    )
    yield seen(
        "watch-kept",
        "Watch kept while the transmitter is keyed",
        Stage.RECEIVE,
        "Send this set a call while another transmitter of the ship is keyed; it must be received.",
    )
    yield Check(
        f"{radio.id}/tuning",
        radio.id,
        "The tuner tunes in every band",
        How.METERED,
        Stage.CLOSED_CABLE if radio.closed_cable else Stage.ON_AIR,
        (
            "One frequency in each band of the sea areas; write down forward power or antenna current.",
            "The indicator of antenna current or power moves with it.",
        ),
        SURVEY,
        Mark.MEMORY,
        Standing.SURVEY_ITEM,
        cautions=_hot(radio),
        meters=(MeterWanted("forward power", "W"), MeterWanted("antenna current", "A")),
    )


def _stage(radio: RadioSet) -> Stage:
    return Stage.CLOSED_CABLE if radio.closed_cable else Stage.ON_AIR


def _voice(radio: RadioSet, row: Channel) -> Check:
    return Check(
        id=f"{radio.id}/{_slug(row)}-voice",
        set_id=radio.id,
        title=f"{plan.frequency_text(row.frequency_hz)} telephony, 1 kHz tone: frequency and carrier suppression",
        how=How.MEASURED,
        stage=_stage(radio),
        do=(
            f"Dial {plan.frequency_text(row.frequency_hz)}, upper sideband; a 1 kHz tone of known frequency in.",
            "Key for 5 seconds. Say with --tone-source whether the tone came in electrically or by a sounder.",
        ),
        basis=SURVEY,
        mark=Mark.MEMORY,
        standing=Standing.SURVEY_ITEM,
        cautions=_hot(radio),
        keying=Keying(
            row.frequency_hz, row.name, kinds=(Kind.VOICE, Kind.CARRIER), conditions=("one tone",), seconds=3.0
        ),
        quantities=VOICE,
        meters=(MeterWanted("peak envelope power", "W"),),
        say=f"{plan.frequency_text(row.frequency_hz)}, telephony. Tone in. Key five seconds.",
    )


def _two_tone(radio: RadioSet, row: Channel) -> Check:
    return Check(
        id=f"{radio.id}/{_slug(row)}-two-tone",
        set_id=radio.id,
        title=f"{plan.frequency_text(row.frequency_hz)} telephony, two tones: linearity",
        how=How.MEASURED,
        stage=_stage(radio),
        do=("1100 and 1700 Hz, equal level, electrically, raised to the rated peak envelope power.", "Key 5 seconds."),
        basis="two-tone test of the EN 300 373 family (quoted in a participant's account); advice, not a survey item",
        mark=Mark.SEEN,
        standing=Standing.SERVICE_ADVICE,
        cautions=_hot(radio),
        keying=Keying(row.frequency_hz, row.name, kinds=(Kind.VOICE,), conditions=("two tones",), seconds=3.0),
        quantities=TWO_TONE,
        meters=(MeterWanted("peak envelope power", "W"),),
        say=f"{plan.frequency_text(row.frequency_hz)}. Two tones in. Key five seconds.",
    )


def _call(radio: RadioSet, row: Channel) -> Check:
    return Check(
        id=f"{radio.id}/{_slug(row)}-call",
        set_id=radio.id,
        title=f"{plan.frequency_text(row.frequency_hz)}, test call",
        how=How.MEASURED,
        stage=_stage(radio),
        do=(
            "A test call to a coast station that offers it, or to the duplicate set; live tests on a distress "
            "frequency only as far as needed.",
            "A call takes 7 seconds; keep recording for the answer.",
        ),
        basis=f"{SURVEY}; ITU-R M.493 §8.5; ITU-R M.541 annex 1 §5 (from memory)",
        mark=Mark.MEMORY,
        standing=Standing.SURVEY_ITEM,
        cautions=_hot(radio),
        keying=Keying(
            row.frequency_hz,
            row.name,
            kinds=(Kind.DSC_CALL,),
            call=calls.TEST_CALL,
        ),
        quantities=CALL,
        meters=(MeterWanted("forward power", "W"),),
        say=f"{plan.frequency_text(row.frequency_hz)}. Send a test call.",
    )


def _distress_format(radio: RadioSet, row: Channel) -> Check:
    return Check(
        id=f"{radio.id}/distress-format",
        set_id=radio.id,
        title=f"{plan.frequency_text(row.frequency_hz)}, distress format into the load: five calls in one keying",
        how=How.MEASURED,
        stage=Stage.DISTRESS_FORMAT,
        do=(
            "Only after the leak check of this set: sdrcheck visit gate.",
            "Hold the button 3 seconds; the attempt takes 36 seconds.",
            "Record 5 minutes: an alert that is not cancelled repeats after 3.5 to 4.5 minutes.",
            "Cancel at the set, switch it off and on, then witness the silence before the antenna goes back.",
        ),
        basis="Closed-cable observation only; ITU-R M.541 for the attempt, MSC/Circ.862 for the button",
        mark=Mark.SEEN,
        standing=None,
        cautions=(cautions.DISTRESS, cautions.CLOSED_CABLE, cautions.RF_BURN),
        keying=Keying(
            row.frequency_hz,
            row.name,
            kinds=(Kind.DSC_CALL,),
            call=calls.DISTRESS_ATTEMPT,
        ),
        quantities=CALL,
        distress_format=True,
    )


def _supplies(radio: RadioSet) -> Iterator[Check]:
    row = _row(MF_VOICE[0], Emission.J3E, radio)
    for supply in radio.supplies:
        yield Check(
            id=f"{radio.id}/supply-{supply}",
            set_id=radio.id,
            title=f"Works from the {supply} supply",
            how=How.METERED if supply == "main" else How.MEASURED,
            stage=Stage.SUPPLIES,
            do=(
                f"Supply: {supply}, with the ship's usual load on it. 2182 kHz telephony, 1 kHz tone, key 5 seconds.",
                "Read the voltage at the radio terminals while keyed, not at the battery.",
            ),
            basis=f"{SURVEY}: operation from all supplies; SOLAS IV/13",
            mark=Mark.MEMORY,
            standing=Standing.SURVEY_ITEM,
            cautions=(*_hot(radio), cautions.BATTERY),
            keying=None
            if supply == "main"
            else Keying(
                row.frequency_hz,
                row.name,
                kinds=(Kind.VOICE, Kind.CARRIER),
                conditions=("one tone",),
                power=Power.HIGH,
                seconds=3.0,
            ),
            quantities=() if supply == "main" else VOICE,
            meters=(MeterWanted("supply voltage at the radio terminals", "V"), MeterWanted("peak envelope power", "W")),
            supply=supply,
        )


def _slug(row: Channel) -> str:
    return f"{row.frequency_hz / 1e3:g}".replace(".", "-")
