"""Checks of a VHF radiotelephone and its selective calling, in working order.

The sequence follows the radio items of the survey guidelines (IMO A.1186(33), annex 1, part R, from memory), with the
frequency list that a United States examination text shares (power and line quality on 6, 13 and 16, frequency
tolerance, all supplies), and the lowest and highest channel of the Japanese maintenance standard.
"""

from __future__ import annotations

from collections.abc import Iterator

from sdrcheck.channels import plan
from sdrcheck.channels.channel import Channel, Emission, Leg, Mark
from sdrcheck.errors import VisitError
from sdrcheck.findings.inspection import Kind
from sdrcheck.limits.limit import Standing
from sdrcheck.visits.checks import calls, cautions
from sdrcheck.visits.checks.check import Check, How, Keying, MeterWanted, Power, Stage
from sdrcheck.visits.ship import RadioSet, SetKind

SURVEY = "radio survey items for VHF: IMO A.1186(33), annex 1, part R"
USUAL_CHANNELS = ("06", "13", "16", "01", "88")
CARRIER = ("carrier offset", "carrier offset, relative", "level", "residual modulation", "occupied bandwidth")
MODULATED = ("carrier offset", "peak deviation, up", "peak deviation, down", "modulating tone", "sinad")
CALL = (
    "carrier offset",
    "tone B",
    "tone Y",
    "modulation index, B",
    "modulation index, Y",
    "modulation rate error",
    "dot pattern",
)
POWER_METERS = (MeterWanted("forward power", "W"), MeterWanted("reflected power", "W"))
COUNTER = MeterWanted("carrier frequency", "Hz")


def ship_channel(name: str) -> Channel:
    """The frequency a ship sends on for a channel name; raises VisitError for a name that is not on the plan."""
    rows = [row for row in plan.find(name) if row.emission in (Emission.G3E, Emission.G2B)]
    rows = [row for row in rows if row.leg is not Leg.COAST]
    if not rows:
        raise VisitError(f"channel {name!r} is not on the VHF plan; see: sdrcheck channels")
    return rows[0]


def checks(radio: RadioSet) -> Iterator[Check]:
    """The checks of one VHF set."""
    yield from _looked_at(radio)
    yield from _keyed(radio)
    if radio.kind is SetKind.VHF_DSC:
        yield from _calling(radio)
    yield from _supplies(radio)


def _looked_at(radio: RadioSet) -> Iterator[Check]:
    def seen(slug: str, title: str, do: tuple[str, ...], stage: Stage, basis: str, mark: Mark) -> Check:
        return Check(f"{radio.id}/{slug}", radio.id, title, How.SEEN, stage, do, basis, mark, Standing.SURVEY_ITEM)

    yield seen(
        "antenna",
        "Antenna and feeder looked at",
        (
            "Mounting, insulators, corrosion, connector sealing, earth.",
            "Look at the spare antenna where one is carried.",
        ),
        Stage.COLD,
        SURVEY,
        Mark.MEMORY,
    )
    yield seen(
        "receiving",
        "Squelch, dual watch and priority work",
        (
            "Open and close the squelch; listen on a busy working channel.",
            "Dual watch with channel 16.",
            "The panel of the conning position takes priority, and the others show that it is in use.",
            "No emission while the channel is being changed.",
        ),
        Stage.RECEIVE,
        f"{SURVEY}; IMO A.803(19) as carried by the Taiwanese rules",
        Mark.SEEN,
    )
    if radio.kind is not SetKind.VHF_DSC:
        return
    yield seen(
        "self-test",
        "Off-air self-test of the calling controller",
        ("Run the set's own self-test; write down what it shows.", "Note software and channel-table version."),
        Stage.SELF_TEST,
        SURVEY,
        Mark.MEMORY,
    )
    yield seen(
        "identity-shown",
        "Identity, position and time shown",
        (
            "Read the MMSI from the set's display, digit by digit, against the papers.",
            "Position and UTC shown and fresh; a position older than 4 h must raise a warning, and goes at 23.5 h.",
        ),
        Stage.SELF_TEST,
        f"{SURVEY}; 4 h and 23.5 h as carried by the Taiwanese rules, 285-8",
        Mark.SEEN,
    )
    yield seen(
        "call-received",
        "A call is received, heard and seen",
        (
            "Have a test call or a routine call sent to this set: from the duplicate set, a coast station, or a "
            "composed call through a generator in a closed cable.",
            "The alarm is heard at the conning position, and the call is on the display.",
        ),
        Stage.RECEIVE,
        SURVEY,
        Mark.MEMORY,
    )
    yield seen(
        "watch-kept",
        "Watch on channel 70 kept while other sets send",
        ("Key another set on a working channel; send this set a call meanwhile; it must be received.",),
        Stage.RECEIVE,
        SURVEY,
        Mark.MEMORY,
    )


def _keyed(radio: RadioSet) -> Iterator[Check]:
    first = True
    for name in radio.channels or USUAL_CHANNELS:
        channel = ship_channel(name)
        if channel.name == "70":
            raise VisitError(f"set {radio.id}: channel 70 is for calls only and is not keyed with telephony")
        yield Check(
            id=f"{radio.id}/ch{channel.name}-high",
            set_id=radio.id,
            title=f"Channel {channel.name}, high power, unmodulated",
            how=How.MEASURED,
            stage=Stage.CLOSED_CABLE,
            do=(
                f"Channel {channel.name}, high power, microphone covered.",
                "Key for 5 seconds, then release.",
                "Read the wattmeter forward and reflected" + (", and the counter." if first else "."),
            ),
            basis=SURVEY,
            mark=Mark.MEMORY,
            standing=Standing.SURVEY_ITEM,
            cautions=(cautions.CLOSED_CABLE, cautions.NORMAL_ANTENNA, cautions.LISTEN_FIRST),
            keying=Keying(
                channel.frequency_hz,
                channel.name,
                kinds=(Kind.CARRIER, Kind.VOICE),
                conditions=("unmodulated", "unknown"),
                power=Power.HIGH,
                seconds=3.0,
            ),
            quantities=CARRIER,
            meters=(*POWER_METERS, COUNTER) if first else POWER_METERS,
            say=f"Channel {_spoken(channel.name)}, high power. Key five seconds, say nothing.",
        )
        first = False
        if channel.name == "16":
            yield from _low_power(radio, channel)
    for name in radio.low_power_channels:
        yield _automatic(radio, ship_channel(name))
    yield from _modulated(radio, ship_channel((radio.channels or USUAL_CHANNELS)[0]))


def _low_power(radio: RadioSet, channel: Channel) -> Iterator[Check]:
    yield Check(
        id=f"{radio.id}/ch{channel.name}-low",
        set_id=radio.id,
        title=f"Channel {channel.name}, low power, by its ratio to high power",
        how=How.MEASURED,
        stage=Stage.CLOSED_CABLE,
        do=(
            f"Channel {channel.name}, low power, microphone covered; nothing else in the cable changed.",
            "Key for 5 seconds, then release.",
            "Low power is the metered high power less the measured ratio: 14 to 24 dB for a 25 W set.",
        ),
        basis=f"{SURVEY}; low power by ratio is practice",
        mark=Mark.PRACTICE,
        standing=Standing.SURVEY_ITEM,
        cautions=(cautions.CLOSED_CABLE,),
        keying=Keying(
            channel.frequency_hz,
            channel.name,
            kinds=(Kind.CARRIER, Kind.VOICE),
            conditions=("unmodulated", "unknown"),
            power=Power.LOW,
            seconds=3.0,
        ),
        quantities=CARRIER,
        meters=(MeterWanted("forward power", "W"),),
        say=f"Still channel {_spoken(channel.name)}. Low power. Key five seconds.",
    )


def _automatic(radio: RadioSet, channel: Channel) -> Check:
    return Check(
        id=f"{radio.id}/ch{channel.name}-auto",
        set_id=radio.id,
        title=f"Channel {channel.name} falls back to 1 W by itself",
        how=How.MEASURED,
        stage=Stage.CLOSED_CABLE,
        do=(
            f"Set the power to high, then choose channel {channel.name}.",
            "Key for 5 seconds: the level must lie as low as low power does.",
        ),
        basis=(
            "RR Appendix 18 notes (from memory); Japan, Enforcement Regulations art. 13-3-3 for 15 and 17; "
            "47 CFR 80.215(g)(2) for 13 and 67 on United States ships"
        ),
        mark=Mark.SEEN if channel.name in ("13", "15", "17", "67") else Mark.MEMORY,
        standing=Standing.REGULATION,
        cautions=(cautions.CLOSED_CABLE,),
        keying=Keying(
            channel.frequency_hz,
            channel.name,
            kinds=(Kind.CARRIER, Kind.VOICE),
            conditions=("unmodulated", "unknown"),
            power=Power.AUTOMATIC,
            seconds=3.0,
        ),
        quantities=("carrier offset", "level"),
        say=f"Channel {_spoken(channel.name)}, power set to high. Key five seconds.",
    )


def _modulated(radio: RadioSet, channel: Channel) -> Iterator[Check]:
    common = {
        "set_id": radio.id,
        "how": How.MEASURED,
        "stage": Stage.CLOSED_CABLE,
        "standing": Standing.SERVICE_ADVICE,
        "cautions": (cautions.CLOSED_CABLE,),
        "quantities": MODULATED,
    }
    yield Check(
        id=f"{radio.id}/ch{channel.name}-tone",
        title=f"Channel {channel.name}, 1 kHz into the microphone: the limiter's ceiling",
        do=(
            f"Channel {channel.name}, high power. A 1 kHz sounder at the microphone.",
            "Key for 5 seconds; make the sounder louder until the deviation stops rising.",
            "That is the limiter's ceiling, and is held against ±5 kHz. A loudspeaker's distortion is not judged.",
        ),
        basis="Deviation, hum and distortion are service advice, not survey items: practice",
        mark=Mark.PRACTICE,
        keying=Keying(
            channel.frequency_hz,
            channel.name,
            kinds=(Kind.VOICE,),
            conditions=("one tone",),
            seconds=3.0,
        ),
        say=f"Channel {_spoken(channel.name)}, high power. Sounder at the microphone. Key five seconds.",
        **common,  # type: ignore[arg-type]
    )
    yield Check(
        id=f"{radio.id}/ch{channel.name}-speech",
        title=f"Channel {channel.name}, speech",
        do=(
            f"Channel {channel.name}, high power. Hold the microphone as one does, count to ten in a firm voice.",
            "Peaks must stay below ±5 kHz.",
        ),
        basis="Deviation, hum and distortion are service advice, not survey items: practice",
        mark=Mark.PRACTICE,
        keying=Keying(
            channel.frequency_hz,
            channel.name,
            kinds=(Kind.VOICE,),
            conditions=("speech",),
            seconds=3.0,
        ),
        say=f"Channel {_spoken(channel.name)}. Key, and count to ten in a firm voice.",
        **common,  # type: ignore[arg-type]
    )


def _calling(radio: RadioSet) -> Iterator[Check]:
    seventy = ship_channel("70")
    wanted = calls.TEST_CALL if radio.test_call else calls.ROUTINE_CALL
    title = "test call" if radio.test_call else "routine individual call to the duplicate set"
    yield Check(
        id=f"{radio.id}/ch70-call",
        set_id=radio.id,
        title=f"Channel 70, {title}",
        how=How.MEASURED,
        stage=Stage.CLOSED_CABLE,
        do=(
            f"Send a {title} from the set's menu, to the duplicate set's or a coast station's identity.",
            "Nothing in distress, urgency or all-ships format.",
        ),
        basis=f"{SURVEY}: a routine or test call, closed cable preferred; ITU-R M.493 §8.5 for the test call",
        mark=Mark.MEMORY,
        standing=Standing.SURVEY_ITEM,
        cautions=(cautions.CLOSED_CABLE, cautions.NORMAL_ANTENNA),
        keying=Keying(seventy.frequency_hz, "70", kinds=(Kind.DSC_CALL,), call=wanted),
        quantities=CALL,
        say=f"Channel seventy. Send a {title}.",
    )
    yield Check(
        id=f"{radio.id}/distress-format",
        set_id=radio.id,
        title="Distress format into the load: five calls in one keying",
        how=How.MEASURED,
        stage=Stage.DISTRESS_FORMAT,
        do=(
            "Only after the leak check of this set: sdrcheck visit gate.",
            "Choose the nature of distress “undesignated”, position from the navigation receiver.",
            "Lift the cover, hold the button 3 seconds; lamp and tone at once, steady after sending.",
            "Record 5 minutes: an alert that is not cancelled repeats after 3.5 to 4.5 minutes.",
            "Cancel at the set, switch it off and on, then witness the silence before the antenna goes back.",
        ),
        basis="Closed-cable observation only; ITU-R M.541 and M.493 for the attempt, MSC/Circ.862 for the button",
        mark=Mark.SEEN,
        standing=None,
        cautions=(cautions.DISTRESS, cautions.CLOSED_CABLE),
        keying=Keying(
            seventy.frequency_hz,
            "70",
            kinds=(Kind.DSC_CALL,),
            call=calls.DISTRESS_ATTEMPT,
        ),
        quantities=CALL,
        distress_format=True,
    )


def _supplies(radio: RadioSet) -> Iterator[Check]:
    channel = ship_channel("16")
    for supply in radio.supplies:
        yield Check(
            id=f"{radio.id}/supply-{supply}",
            set_id=radio.id,
            title=f"Works from the {supply} supply",
            how=How.METERED if supply == "main" else How.MEASURED,
            stage=Stage.SUPPLIES,
            do=(
                f"Supply: {supply}, with the ship's usual load on it.",
                "Channel 16, high power, key for 5 seconds.",
                "Read the voltage at the radio terminals while keyed, not at the battery.",
            ),
            basis=f"{SURVEY}: operation from main, emergency and reserve supply; SOLAS IV/13",
            mark=Mark.MEMORY,
            standing=Standing.SURVEY_ITEM,
            cautions=(cautions.CLOSED_CABLE, cautions.BATTERY),
            keying=None
            if supply == "main"
            else Keying(
                channel.frequency_hz,
                "16",
                kinds=(Kind.CARRIER, Kind.VOICE),
                conditions=("unmodulated", "unknown"),
                power=Power.HIGH,
                seconds=3.0,
            ),
            quantities=() if supply == "main" else CARRIER,
            meters=(MeterWanted("supply voltage at the radio terminals", "V"), MeterWanted("forward power", "W")),
            supply=supply,
        )


def _spoken(name: str) -> str:
    """A channel number digit by digit, as it is said on the air."""
    digits = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
    return " ".join(digits[int(letter)] if letter.isdigit() else letter for letter in name)
