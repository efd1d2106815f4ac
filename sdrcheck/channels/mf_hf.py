"""MF and HF: selective calling, telephony for distress and safety, and what else a ship's set may meet there.

Channels are named by their frequency in kHz, as the trade does. Telephony is named by its (suppressed) carrier, calling
and text by the assigned frequency, which is the middle of the two lines.
"""

from __future__ import annotations

from sdrcheck.channels.channel import Channel, Emission, Leg, Mark

F1B_SPACING_HZ = 500
J3E_SPACING_HZ = 3_000
NAVDAT_SPACING_HZ = 10_000
"""Width of the digital broadcast, from memory of Rec. ITU-R M.2010."""

SUBCARRIER_HZ = 1_700
"""A set that keys audio tones is dialled this much below the assigned frequency (Rec. ITU-R M.541, annex)."""

_DISTRESS_SOURCE = "RR Appendix 15; 47 CFR 80.1077; receiver list of IMO A.806(19)"
_ROUTINE_SOURCE = "47 CFR 80.359(a); RR Appendix 17 and Rec. ITU-R M.541, annex"
_NAVDAT_SOURCE = "Rec. ITU-R M.2010 (500 kHz), M.2058 (HF), from memory"

# kHz and use
_DISTRESS_CALLING = (
    ("2187.5", "distress and safety calling, MF; every ship with an MF set watches it"),
    ("4207.5", "distress and safety calling, HF"),
    ("6312", "distress and safety calling, HF"),
    ("8414.5", "distress and safety calling, HF; always watched beside 2187.5 by ships with HF"),
    ("12577", "distress and safety calling, HF"),
    ("16804.5", "distress and safety calling, HF"),
)

# series, ship leg and coast leg in kHz
_ROUTINE_CALLING = (
    ("first", "458.5", "455.5"),
    ("first", "2189.5", "2177"),
    ("first", "4208", "4219.5"),
    ("first", "6312.5", "6331"),
    ("first", "8415", "8436.5"),
    ("first", "12577.5", "12657"),
    ("first", "16805", "16903"),
    ("first", "18898.5", "19703.5"),
    ("first", "22374.5", "22444"),
    ("first", "25208.5", "26121"),
    ("second", "4208.5", "4220"),
    ("second", "6313", "6331.5"),
    ("second", "8415.5", "8437"),
    ("second", "12578", "12657.5"),
    ("second", "16805.5", "16903.5"),
    ("second", "18899", "19704"),
    ("second", "22375", "22444.5"),
    ("second", "25209", "26121.5"),
    ("third", "4209", "4220.5"),
    ("third", "6313.5", "6332"),
    ("third", "8416", "8437.5"),
    ("third", "12578.5", "12658"),
    ("third", "16806", "16904"),
    ("third", "18899.5", "19704.5"),
    ("third", "22375.5", "22445"),
    ("third", "25209.5", "26122"),
)

_TELEPHONY = (
    ("2182", "distress and safety by voice, MF; on scene"),
    ("4125", "distress and safety by voice, HF; aircraft and ships in search and rescue"),
    ("6215", "distress and safety by voice, HF"),
    ("8291", "distress and safety by voice, HF"),
    ("12290", "distress and safety by voice, HF"),
    ("16420", "distress and safety by voice, HF"),
    ("3023", "aeronautical, joint search and rescue"),
    ("5680", "aeronautical, joint search and rescue"),
)

_TELEX = ("2174.5", "4177.5", "6268", "8376.5", "12520", "16695")
_NAVDAT = ("500", "4226", "6337.5", "8443", "12663.5", "16909.5", "22450.5")


def hertz(khz: str) -> int:
    """The frequency in hertz of a name in kilohertz."""
    return round(float(khz) * 1000)


def _calling() -> tuple[Channel, ...]:
    distress = tuple(
        Channel(khz, hertz(khz), F1B_SPACING_HZ, Emission.F1B, use, _DISTRESS_SOURCE, calling=True)
        for khz, use in _DISTRESS_CALLING
    )
    routine = tuple(
        Channel(
            khz,
            hertz(khz),
            F1B_SPACING_HZ,
            Emission.F1B,
            f"routine calling, {series} series, {leg} leg; the {other_leg} leg is {other}"
            + "; also between ships" * (khz == "2177"),
            _ROUTINE_SOURCE,
            leg=leg,
            calling=True,
        )
        for series, ship, coast in _ROUTINE_CALLING
        for khz, leg, other, other_leg in ((ship, Leg.SHIP, coast, Leg.COAST), (coast, Leg.COAST, ship, Leg.SHIP))
    )
    return distress + routine


def _voice() -> tuple[Channel, ...]:
    return tuple(
        Channel(khz, hertz(khz), J3E_SPACING_HZ, Emission.J3E, use, _DISTRESS_SOURCE) for khz, use in _TELEPHONY
    )


def _others() -> tuple[Channel, ...]:
    telex = tuple(
        Channel(
            khz,
            hertz(khz),
            F1B_SPACING_HZ,
            Emission.F1B,
            "distress and safety by radio telex, in older editions; no longer carried by rule since 2024",
            _DISTRESS_SOURCE,
        )
        for khz in _TELEX
    )
    navdat = tuple(
        Channel(
            khz,
            hertz(khz),
            NAVDAT_SPACING_HZ,
            Emission.UNKNOWN,
            "digital broadcast (NAVDAT), not keyed by two tones",
            _NAVDAT_SOURCE,
            Mark.MEMORY,
        )
        for khz in _NAVDAT
    )
    return telex + navdat


CHANNELS = _calling() + _voice() + _others()
