"""Each signature is named where its readings show it, and nowhere else."""

import pytest

from sdrcheck.channels.channel import Emission
from sdrcheck.findings.inspection import Kind, Reading
from sdrcheck.findings.signatures import FLAT_INDEX_RATIO, signatures

CALLING_HZ = 156_525_000.0


def read(quantity: str, value: float, unit: str, verdict: str | None, uncertainty: float = 0.01) -> Reading:
    return Reading(quantity=quantity, value=value, unit=unit, uncertainty=uncertainty, verdict=verdict)


def call(*readings: Reading) -> str:
    return " ".join(signatures(Kind.DSC_CALL, Emission.G2B, CALLING_HZ, readings))


def indices(b: float, y: float, uncertainty: float = 0.01) -> str:
    verdicts = ["pass" if 1.8 <= value <= 2.2 else "fail" for value in (b, y)]
    return call(
        read("modulation index, B", b, "rad", verdicts[0], uncertainty),
        read("modulation index, Y", y, "rad", verdicts[1], uncertainty),
    )


def test_equal_deviation_has_the_ratio_of_the_tones() -> None:
    """Deviation = index × tone, so 1300/2100 (derived from the phase-modulation law of Rec. ITU-R M.493)."""
    assert pytest.approx(0.619, abs=0.001) == FLAT_INDEX_RATIO


@pytest.mark.parametrize(
    ("b", "y", "said"),
    [
        (1.238, 2.0, "pre-emphasis is missing"),
        (2.0, 3.23, "pre-emphasis is missing"),
        (1.5, 2.0, "Tone B (2100 Hz) is weak"),
        (2.0, 1.5, "Tone Y (1300 Hz) is weak"),
        (1.5, 1.5, "too low on both tones alike"),
        (2.6, 2.6, "too high on both tones alike"),
    ],
)
def test_indices_tell_the_fault(b: float, y: float, said: str) -> None:
    assert said in indices(b, y)


def test_good_indices_say_nothing() -> None:
    assert indices(2.1, 1.95) == ""


def test_tones_and_rate_are_named_only_when_proven() -> None:
    off = call(
        read("tone B", 2125.0, "Hz", "fail"),
        read("tone Y", 1300.0, "Hz", "pass"),
        read("modulation rate error", 80.0, "ppm", "fail, not proven", 100.0),
    )
    assert "tone B at 2125.000" in off
    assert "tone Y" not in off
    assert "rate" not in off
    assert "the calling encoder's clock" in call(read("modulation rate error", 80.0, "ppm", "fail", 5.0))


@pytest.mark.parametrize(
    ("lies_at_hz", "said"),
    [
        (2_189_203.0, "1700 Hz above 2187.5 kHz"),
        (4_209_197.0, "1700 Hz above 4207.5 kHz"),  # 200 Hz from a routine channel, and on none
        (2_185_800.0, "1700 Hz below 2187.5 kHz"),
        (2_187_507.0, ""),
        (2_300_000.0, ""),
    ],
)
def test_a_dial_on_the_assigned_frequency_is_recognised(lies_at_hz: float, said: str) -> None:
    """2185.8 kHz is the dial for 2187.5 kHz, with tones around 1700 Hz (Rec. ITU-R M.541, annex text)."""
    found = signatures(Kind.DSC_CALL, Emission.F1B, lies_at_hz, ())
    assert (said in found[0]) if said else found == ()


@pytest.mark.parametrize(
    ("kind", "emission", "lies_at_hz", "named"),
    [
        (Kind.CARRIER, Emission.N0N, 2_181_000.0, "1000 Hz below 2182 kHz"),
        (Kind.UNKNOWN, Emission.UNKNOWN, 4_123_500.0, "1500 Hz below 4125 kHz"),
        (Kind.CARRIER, Emission.N0N, 2_178_000.0, None),
        (Kind.CARRIER, Emission.N0N, 2_181_850.0, None),
        (Kind.CARRIER, Emission.N0N, 2_183_000.0, None),
    ],
)
def test_what_mirrors_a_telephony_channel_is_perhaps_on_the_wrong_sideband(
    kind: Kind, emission: Emission, lies_at_hz: float, named: str | None
) -> None:
    """A lower sideband lies as far below the dial as the sound is high; sets pass 300 to 3000 Hz."""
    found = signatures(kind, emission, lies_at_hz, ())
    assert (named in found[0] and "wrong sideband" in found[0]) if named else found == ()


@pytest.mark.parametrize(
    ("value", "verdict", "said"),
    [
        (6.0, "fail", "hardly suppressed at all"),
        (30.0, "fail", "poorly suppressed"),
        (36.0, "fail, not proven", None),
        (45.0, "pass", None),
    ],
)
def test_suppression_tells_a_dead_modulator_from_a_poor_one(value: float, verdict: str, said: str | None) -> None:
    """H3E is the carrier 6 dB under the peak envelope, as A3E with full modulation is."""
    found = signatures(Kind.VOICE, Emission.J3E, 2_182_000.0, [read("carrier suppression", value, "dB", verdict)])
    assert (said in found[0]) if said else found == ()
