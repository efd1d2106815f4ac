"""What is known before the first keying: the ship and her papers, the sets, the instruments, how it is all connected.

These are the types of the visit file. Doubtful contents do not keep a file from being read: `doubts` names them in
sentences. IMO ship identification number scheme: IMO resolution A.1117(30) (from memory).
"""

from __future__ import annotations

import datetime as dt
import enum
import re
from collections.abc import Iterator
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from sdrcheck.decoders.dsc import identities

SCHEMA: Literal["sdrcheck.visit/1"] = "sdrcheck.visit/1"

Text = Annotated[str, Meta(max_length=2000)]
Identifier = Annotated[
    str,
    Meta(pattern="^[a-z0-9][a-z0-9-]{0,30}$", description="lower-case letters, digits and hyphens, like vhf-1"),
]
SeaArea = Literal["A1", "A2", "A3", "A4"]
Supply = Literal["main", "emergency", "reserve"]
Moment = Annotated[dt.datetime, Meta(tz=True, description="date and time with its zone, like 2026-03-02T09:14:20Z")]


class SetKind(enum.StrEnum):
    """What sort of set it is; it decides which checks apply."""

    VHF = "VHF"
    VHF_DSC = "VHF DSC"
    MF_DSC = "MF DSC"
    MF_HF_DSC = "MF/HF DSC"
    NAVTEX = "NAVTEX"
    PORTABLE_VHF = "portable VHF"
    SART = "SART"
    EPIRB = "EPIRB"


class Job(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Who is aboard, where, when and with whose leave."""

    who: Text
    licence: Text = ""
    """Operator's certificate or authority to key the sets."""
    firm: Text = ""
    purpose: Text = ""
    where: Text = ""
    latitude: Annotated[float, Meta(ge=-90, le=90)] | None = None
    """Where the ship lies, degrees, north positive."""
    longitude: Annotated[float, Meta(ge=-180, le=180)] | None = None
    """Degrees, east positive."""
    started: Moment | None = None
    """UTC."""
    transmit_permission: Text = ""
    """Who allowed transmitting, and what was ruled out."""
    limit_set: Text = "marine"
    """Name of the limits the readings are held against."""
    notes: Text = ""


class Certificate(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One of the ship's papers."""

    name: Text
    number: Text = ""
    expires: dt.date | None = None


class Ship(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The ship, as her papers have her."""

    name: Text
    call_sign: Text = ""
    mmsi: Text | None = None
    imo_number: Text | None = None
    """Seven digits."""
    flag: Text = ""
    gross_tonnage: Annotated[float, Meta(gt=0)] | None = None
    sea_areas: tuple[SeaArea, ...] = ()
    maintenance: Text = ""
    """Maintenance method or methods of her papers (SOLAS IV/15)."""
    certificates: tuple[Certificate, ...] = ()


class RadioSet(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One set aboard, and how it was connected for the tests."""

    id: Identifier
    kind: SetKind
    maker: Text = ""
    model: Text = ""
    serial: Text = ""
    approval: Text = ""
    software: Text = ""
    channel_file: Text = ""
    """Version of the channel table in the set."""
    dsc_class: Text = ""
    installed: dt.date | None = None
    duty: Text = ""
    """Basic, duplicate, survival craft …"""
    mmsi: Text | None = None
    """Identity programmed into the set; the ship's own where it is left out."""
    rated_power_w: Annotated[float, Meta(gt=0)] | None = None
    test_call: bool = True
    """The set offers a test call; older VHF sets do not."""
    closed_cable: bool = False
    """The transmitter works into a load in a closed cable: nothing of it reaches an antenna."""
    connection: Text = ""
    """How the dongle was connected: load, sampler, coupler, attenuators."""
    antenna: Text = ""
    feeder: Text = ""
    supplies: tuple[Supply, ...] = ("main",)
    channels: tuple[Text, ...] = ()
    """VHF channels to key; where it is left out the plan takes the usual ones."""
    frequencies: tuple[Text, ...] = ()
    """MF/HF calling frequencies to key, such as 2187.5 kHz; where it is left out the sea areas decide."""
    low_power_channels: tuple[Text, ...] = ("15", "17")
    """Channels on which the set must fall back to 1 W by itself."""
    notes: Text = ""

    @property
    def title(self) -> str:
        """`VHF DSC set vhf-1 (maker, model)`."""
        known = ", ".join(word for word in (self.maker, self.model) if word)
        return f"{self.kind.value} {self.id}" + (f" ({known})" if known else "")


class Instrument(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A calibrated instrument that was used beside the dongle."""

    id: Identifier
    name: Text
    maker: Text = ""
    serial: Text = ""
    calibrated: dt.date | None = None
    due: dt.date | None = None
    certificate: Text = ""
    uncertainty: Text = ""
    """What its certificate says, in words."""


class Dongle(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The receiver dongle and how it was set."""

    name: Text = ""
    serial: Text = ""
    gain_db: float | None = None
    warm_up_minutes: Annotated[float, Meta(ge=0)] | None = None
    temperature_c: float | None = None


class Attenuator(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One part of the chain between set and dongle, in order from the set."""

    name: Text
    db: Annotated[float, Meta(ge=0)]
    uncertainty_db: Annotated[float, Meta(ge=0)] = 0.0
    """Expanded, k = 2."""
    power_w: Annotated[float, Meta(gt=0)] | None = None
    """What its first element may be fed with, for as long as one likes."""
    due: dt.date | None = None


class Reference(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Correction of the dongle's frequency reference: δ = (indicated − true)/true."""

    correction_ppm: float
    uncertainty_ppm: Annotated[float, Meta(gt=0)]
    """Expanded, k = 2."""
    method: Text = ""
    instrument: Identifier | None = None
    taken: Moment | None = None
    oscillator: Literal["crystal", "tcxo"] | None = None
    """What sort of oscillator the dongle has; with it and `taken`, age widens the uncertainty."""


class Clock(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The ship's UTC display and the laptop's clock, read at the same moment."""

    ship_utc: Moment
    laptop_utc: Moment
    uncertainty_s: Annotated[float, Meta(gt=0)] = 1.0

    @property
    def laptop_minus_ship_s(self) -> float:
        return (self.laptop_utc - self.ship_utc).total_seconds()


class Visit(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One job aboard one ship, as the visit file holds it."""

    schema: Literal["sdrcheck.visit/1"]
    title: Text = ""
    invented: bool = False
    """Ship, people and readings are made up, for practice; every page says so."""
    job: Job
    ship: Ship
    sets: tuple[RadioSet, ...] = ()
    instruments: tuple[Instrument, ...] = ()
    dongle: Dongle | None = None
    attenuation: tuple[Attenuator, ...] = ()
    reference: Reference | None = None
    clock: Clock | None = None

    def set_named(self, set_id: str) -> RadioSet | None:
        return next((radio for radio in self.sets if radio.id == set_id), None)

    def instrument_named(self, instrument_id: str | None) -> Instrument | None:
        return next((found for found in self.instruments if found.id == instrument_id), None)

    def identity_of(self, radio: RadioSet) -> str | None:
        """The identity the set's papers give it."""
        return radio.mmsi or self.ship.mmsi

    @property
    def own_identities(self) -> frozenset[str]:
        """Every identity that belongs to this ship by her papers."""
        return frozenset(found for found in (self.ship.mmsi, *(radio.mmsi for radio in self.sets)) if found)

    @property
    def chain(self) -> str:
        """The attenuation chain in one line; a leak check holds only for the chain it was made with."""
        return " + ".join(f"{part.name} {part.db:g} dB" for part in self.attenuation) or "not stated"


class Doubt(msgspec.Struct, frozen=True):
    """Something in the papers that a person should look at before relying on it."""

    field: str
    sentence: str


def imo_check_digit(number: str) -> int:
    """The seventh digit that the first six of an IMO number ask for: weights 7 to 2, last digit of the sum."""
    return sum(int(digit) * weight for digit, weight in zip(number[:6], range(7, 1, -1), strict=True)) % 10


def doubts(visit: Visit, today: dt.date) -> tuple[Doubt, ...]:
    """Name what in the papers does not fit together or is overdue on that day, in sentences."""
    return tuple(_doubts(visit, today))


def _doubts(visit: Visit, today: dt.date) -> Iterator[Doubt]:
    ship = visit.ship
    if ship.imo_number is not None:
        yield from _imo_doubts(ship.imo_number)
    if ship.mmsi is None:
        yield Doubt("ship.mmsi", "the ship's MMSI is not given, so identities in calls cannot be held against it")
    else:
        yield from _mmsi_doubts("ship.mmsi", ship.mmsi, ship.flag, radio=None)
    for place, radio in enumerate(visit.sets):
        if radio.mmsi is not None:
            yield from _mmsi_doubts(f"sets[{place}].mmsi ({radio.id})", radio.mmsi, ship.flag, radio)
            if ship.mmsi and radio.mmsi != ship.mmsi and radio.kind is not SetKind.PORTABLE_VHF:
                yield Doubt(
                    f"sets[{place}].mmsi ({radio.id})",
                    f"the set's identity {radio.mmsi} is not the ship's {ship.mmsi}; one of the two is wrong",
                )
    for certificate in ship.certificates:
        if certificate.expires and certificate.expires < today:
            yield Doubt("ship.certificates", f"{certificate.name} expired on {certificate.expires.isoformat()}")
    for instrument in visit.instruments:
        if instrument.due is None:
            yield Doubt(f"instruments ({instrument.id})", f"{instrument.name} has no calibration due date")
        elif instrument.due < today:
            yield Doubt(
                f"instruments ({instrument.id})",
                f"the calibration of {instrument.name} was due on {instrument.due.isoformat()}; "
                "its readings are not calibrated ones",
            )
    for part in visit.attenuation:
        if part.due and part.due < today:
            yield Doubt("attenuation", f"{part.name} was due to be measured on {part.due.isoformat()}")
    if visit.reference is None:
        yield Doubt(
            "reference",
            "no frequency reference is given: frequencies carry the uncertainty of an uncorrected dongle "
            "and can hardly be judged",
        )
    elif visit.reference.instrument and not visit.instrument_named(visit.reference.instrument):
        yield Doubt("reference.instrument", f"there is no instrument {visit.reference.instrument!r} in this file")
    if visit.clock is None:
        yield Doubt("clock", "the laptop's clock was not compared with the ship's UTC, so times prove little")
    elif abs(visit.clock.laptop_minus_ship_s) > 60:
        yield Doubt(
            "clock",
            f"laptop and ship's UTC differ by {visit.clock.laptop_minus_ship_s:+.0f} s; set the laptop's clock",
        )


def _imo_doubts(number: str) -> Iterator[Doubt]:
    if not re.fullmatch(r"[0-9]{7}", number):
        yield Doubt("ship.imo_number", f"an IMO number has seven digits, found {number!r}")
    elif imo_check_digit(number) != int(number[6]):
        yield Doubt(
            "ship.imo_number",
            f"the check digit of {number} does not fit: its first six digits ask for {imo_check_digit(number)}, "
            f"found {number[6]}; look for a typing error",
        )


def _mmsi_doubts(field: str, mmsi: str, flag: str, radio: RadioSet | None) -> Iterator[Doubt]:
    if not re.fullmatch(r"[0-9]{9}", mmsi):
        yield Doubt(field, f"an MMSI has nine digits, found {mmsi!r}")
        return
    holder = identities.identify(mmsi).holder
    portable = radio is not None and radio.kind is SetKind.PORTABLE_VHF and holder is identities.Holder.HAND_HELD
    if holder is not identities.Holder.SHIP and not portable:
        yield Doubt(field, f"{mmsi} has the form: {holder.value}; a ship station was expected")
    country = mismatched_country(mmsi, flag)
    if country:
        yield Doubt(field, f"the first digits of {mmsi} belong to {country}, the flag is {flag}")


def mismatched_country(mmsi: str, flag: str) -> str | None:
    """The country whose digits an MMSI carries where it is plainly not the flag; None where nothing can be said."""
    country = identities.identify(mmsi).country
    if not flag or not country:
        return None
    near = flag.casefold() in country.casefold() or country.casefold().split(" (")[0] in flag.casefold()
    return None if near else country
