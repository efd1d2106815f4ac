"""The dongle's frequency reference: how far its oscillator is off, how well that is known, and since when.

δ = (indicated − true)/true in ppm, and true = indicated/(1 + δ). One oscillator drives tuner and sample clock, so the
same δ goes for radio frequencies and for everything timed by samples. This is the only place where it is applied.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from sdrcheck.errors import ReceiverError
from sdrcheck.quantities import COVERAGE_FACTOR, Measured, Term, combined

LIGHT_M_PER_S = 299_792_458.0
KNOT_M_PER_S = 1852 / 3600
UNCORRECTED = "uncorrected frequency reference"
"""Name of the term that a dongle never compared with anything puts into every budget."""
DRIFT = "drift since the reference was taken"
"""Name of the term that age puts into every budget."""

COUNTER = "counter"
"""Method of a reference from a calibrated counter, the only traceable one."""
FRESH = timedelta(minutes=30)
"""A reference of this age is as good as new (common practice)."""
OLD = timedelta(days=365)
"""A reference older than this is to be made anew: what a year of ageing adds is a guess."""
AHEAD = timedelta(minutes=1)
"""A reading dated further ahead than this was dated by a wrong clock."""


@dataclass(frozen=True, slots=True)
class Oscillator:
    """How a kind of oscillator drifts: half-widths in ppm, common practice and deliberately wide."""

    name: str
    session_ppm: float
    """Since a reading minutes ago, warmed up."""
    day_ppm: float
    """Since a reading a day ago, cooled down and warmed up again at another temperature."""
    year_ppm: float
    """What ageing adds in a year."""
    unknown_ppm: float
    """Never compared with anything."""

    def drift_ppm(self, age: timedelta) -> float:
        """Half-width of the drift since a reading of this age, in ppm; grows with age up to `unknown_ppm`."""
        day = timedelta(days=1)
        if age <= FRESH:
            return self.session_ppm
        part = min((age - FRESH) / (day - FRESH), 1.0)
        grown = self.session_ppm + part * (self.day_ppm - self.session_ppm)
        return min(grown + self.year_ppm * (age / timedelta(days=365)), self.unknown_ppm)


OSCILLATORS = {
    "crystal": Oscillator("plain crystal", session_ppm=2.0, day_ppm=5.0, year_ppm=3.0, unknown_ppm=100.0),
    "tcxo": Oscillator("temperature-compensated", session_ppm=0.5, day_ppm=1.0, year_ppm=1.0, unknown_ppm=100.0),
}
"""The two kinds found in dongles; a label is no proof, so the unknown error is the same."""


@dataclass(frozen=True, slots=True)
class CarrierClass:
    """How accurate a transmitter's carrier is promised to be: `relative` parts and `hz` on top, both limits ±."""

    name: str
    relative: float
    hz: float
    source: str
    usable: bool = True

    def half_width_hz(self, frequency_hz: float) -> float:
        return self.relative * frequency_hz + self.hz


CARRIER_CLASSES = {
    "disciplined": CarrierClass("10 MHz disciplined by satellite time", 1e-9, 0.0, "common practice"),
    "time-signal": CarrierClass("HF time-signal station as received", 1e-7, 0.0, "common practice, for the path"),
    "cellular-wide": CarrierClass("cellular base station, wide area", 0.05e-6, 12.0, "3GPP TS 25.141 table 6.8B"),
    "cellular-local": CarrierClass("cellular base station, local area", 0.1e-6, 12.0, "3GPP TS 25.141 table 6.8B"),
    "cellular-home": CarrierClass("cellular base station, home", 0.25e-6, 12.0, "3GPP TS 25.141 table 6.8B"),
    "broadcast-fm": CarrierClass("FM broadcast carrier", 20e-6, 0.0, "US rule ±2 kHz, from memory; a gross check"),
    "ship": CarrierClass("another ship, AIS or a coast station", 20e-6, 0.0, "3 to 20 ppm class", usable=False),
}
"""Known carriers. None but a calibrated counter is traceable: use these to doubt a reading, never to overrule it."""


@dataclass(frozen=True, slots=True)
class FrequencyReference:
    """The correction δ in ppm, its expanded uncertainty (k = 2), and where it comes from.

    `terms` is its budget in ppm; without one the stated uncertainty stands as a single term.
    """

    correction_ppm: float
    uncertainty_ppm: float
    source: str
    method: str = "stated"
    taken_utc: datetime | None = None
    oscillator: str | None = None
    note: str = ""
    terms: tuple[Term, ...] = ()

    def __post_init__(self) -> None:
        if not (math.isfinite(self.correction_ppm) and abs(self.correction_ppm) < 1000):
            raise ReceiverError(f"a correction of {self.correction_ppm} ppm is no dongle's; it lies within ±1000 ppm")
        if not (math.isfinite(self.uncertainty_ppm) and self.uncertainty_ppm >= 0):
            raise ReceiverError(f"an uncertainty of {self.uncertainty_ppm} ppm cannot be; it must be 0 or more")
        if self.taken_utc is not None and self.taken_utc.tzinfo is None:
            raise ValueError("the time of a reference must carry its time zone")
        if not self.terms:
            stated = Term.expanded("frequency reference", self.uncertainty_ppm)
            object.__setattr__(self, "terms", (stated,))
        elif not math.isclose(COVERAGE_FACTOR * combined(self.terms), self.uncertainty_ppm, rel_tol=1e-9):
            raise ValueError("the budget of a reference must add up to its uncertainty")

    @classmethod
    def of_terms(
        cls,
        correction_ppm: float,
        terms: tuple[Term, ...],
        source: str,
        *,
        method: str,
        taken_utc: datetime | None = None,
        oscillator: str | None = None,
        note: str = "",
    ) -> FrequencyReference:
        """Make a reference from its budget, terms in ppm."""
        expanded = COVERAGE_FACTOR * combined(terms)
        return cls(correction_ppm, expanded, source, method, taken_utc, oscillator, note, terms)

    @classmethod
    def uncorrected(cls) -> FrequencyReference:
        """The reference of a dongle that was never compared with anything: 0, and anything within ±100 ppm."""
        half_width = OSCILLATORS["crystal"].unknown_ppm
        return cls.of_terms(
            0.0,
            (Term.rectangular(UNCORRECTED, half_width),),
            f"none given: an uncorrected dongle, anywhere within ±{half_width:.0f} ppm (common practice); twice the "
            f"standard uncertainty of that, {half_width:.0f}/√3 ppm, is stated",
            method="none",
        )

    @property
    def corrected(self) -> bool:
        """Somebody compared the dongle with something."""
        return self.method != "none"

    def correct_frequency(self, found: Measured, indicated_rf_hz: float, tuner_step_hz: float = 0.0) -> Measured:
        """Correct a frequency or an offset in hertz that was read at `indicated_rf_hz` on the air.

        `tuner_step_hz` is the tuner's synthesis step, where the true centre is known no better than half of it.
        """
        if found.unit != "Hz":
            raise ValueError(f"a radio frequency is corrected in Hz, got {found.unit}")
        factor = 1 / (1 + self.correction_ppm * 1e-6)
        step = (Term.rectangular("tuner's synthesis step", tuner_step_hz / 2),) if tuner_step_hz else ()
        shifted = found.shifted(indicated_rf_hz * (factor - 1))
        return shifted.widened(*self._terms_times(indicated_rf_hz * factor**2 * 1e-6), *step)

    def correct_clock(self, found: Measured) -> Measured:
        """Correct what the sample clock timed: Hz, Bd, s, or a relative error in ppm; other units stay as they are."""
        ratio = 1 + self.correction_ppm * 1e-6
        if found.unit in ("Hz", "Bd"):
            corrected = found.scaled(1 / ratio)
            return corrected.widened(*self._terms_times(corrected.value * 1e-6))
        if found.unit == "s":
            corrected = found.scaled(ratio)
            return corrected.widened(*self._terms_times(corrected.value * 1e-6))
        if found.unit == "ppm":
            corrected = found.shifted(((1 + found.value * 1e-6) / ratio - 1) * 1e6 - found.value)
            return corrected.widened(*self._terms_times(1.0))
        return found

    def at(self, when_utc: datetime) -> FrequencyReference:
        """The same reference as good as it is at `when_utc`: age widens it, and never forbids it.

        One without a time or a kind of oscillator stands as stated.
        """
        if self.taken_utc is None or self.oscillator is None:
            return self
        age = abs(when_utc - self.taken_utc)
        drift = OSCILLATORS[self.oscillator].drift_ppm(age)
        told = f"taken {_age_text(age)} later" if when_utc < self.taken_utc - AHEAD else f"{_age_text(age)} old"
        terms = (*self.terms, Term.rectangular(DRIFT, drift))
        expanded = COVERAGE_FACTOR * combined(terms)
        source = f"{self.source}; {told}, drift ±{drift:.2g} ppm allowed"
        if age > OLD:
            source += "; over a year apart, so compare with a counter again"
        return replace(self, terms=terms, uncertainty_ppm=expanded, source=source)

    def require_past(self, now: datetime) -> None:
        """Refuse a reading that is dated in the future. Raises ReceiverError."""
        if self.taken_utc is not None and self.taken_utc > now + AHEAD:
            raise ReceiverError(
                f"the reading is dated {self.taken_utc:%Y-%m-%d %H:%M} UTC, {_age_text(self.taken_utc - now)} ahead of "
                "this computer's clock; set the clock that is wrong, and read again"
            )

    def _terms_times(self, sensitivity: float) -> tuple[Term, ...]:
        return tuple(term.times(sensitivity) for term in self.terms)


def own_part(terms: Mapping[str, float], others: Sequence[Mapping[str, float]]) -> float:
    """Standard uncertainty without what all these readings share: the same term, equal everywhere, all in ppm.

    Drift is shared up to the least of them: what lies between two readings is only what was added in between.
    """
    squares = []
    for name, standard in terms.items():
        everywhere = [one.get(name, 0.0) for one in others]
        if any(not math.isclose(one, standard, rel_tol=1e-3) for one in everywhere):
            shared = min(standard, *everywhere) if name == DRIFT else 0.0
            squares.append(standard**2 - shared**2)
    return math.sqrt(math.fsum(squares))


def compare(
    indicated: Measured,
    true_hz: float,
    true_terms: tuple[Term, ...],
    source: str,
    *,
    method: str,
    taken_utc: datetime,
    oscillator: str | None,
    tuner_step_hz: float = 0.0,
    note: str = "",
) -> FrequencyReference:
    """Make a reference from an uncorrected reading in hertz and what the carrier really was (terms in hertz)."""
    if not (math.isfinite(true_hz) and true_hz > 0):
        raise ReceiverError(f"a carrier of {true_hz} Hz cannot be compared with; give its frequency above 0")
    correction_ppm = (indicated.value - true_hz) / true_hz * 1e6
    most = OSCILLATORS["crystal"].unknown_ppm
    if abs(correction_ppm) > most:
        raise ReceiverError(
            f"indicated {indicated.value:.1f} Hz and {true_hz:.1f} Hz lie {indicated.value - true_hz:+.0f} Hz "
            f"({correction_ppm:+.0f} ppm) apart, which is no dongle's error: that lies within ±{most:.0f} ppm; most "
            "likely they were not read on the same carrier: key one channel, and read both on it"
        )
    terms = [*indicated.terms, *true_terms]
    if tuner_step_hz:
        terms.append(Term.rectangular("tuner's synthesis step when compared", tuner_step_hz / 2))
    in_ppm = tuple(term.times(1e6 / true_hz) for term in terms)
    return FrequencyReference.of_terms(
        correction_ppm, in_ppm, source, method=method, taken_utc=taken_utc, oscillator=oscillator, note=note
    )


def from_counter(
    indicated: Measured,
    counter: Measured,
    *,
    taken_utc: datetime,
    oscillator: str | None = None,
    tuner_step_hz: float = 0.0,
    name: str = "calibrated counter",
    note: str = "",
) -> FrequencyReference:
    """Make a reference from a counter's and the dongle's reading of one carrier over the same time, both in hertz."""
    return compare(
        indicated,
        counter.value,
        counter.terms,
        f"{name}, {counter.value:.1f} Hz ± {counter.uncertainty:.2g} Hz against {indicated.value:.1f} Hz indicated",
        method=COUNTER,
        taken_utc=taken_utc,
        oscillator=oscillator,
        tuner_step_hz=tuner_step_hz,
        note=note,
    )


def from_known_carrier(
    indicated: Measured,
    nominal_hz: float,
    carrier: CarrierClass,
    *,
    taken_utc: datetime,
    oscillator: str | None = None,
    tuner_step_hz: float = 0.0,
    speed_knots: float = 0.0,
    note: str = "",
) -> FrequencyReference:
    """Make a reference from a carrier off the air; `speed_knots` allows for Doppler. Not traceable."""
    if not carrier.usable:
        raise ReceiverError(f"{carrier.name} is not accurate enough to compare with ({carrier.source})")
    doppler = speed_knots * KNOT_M_PER_S / LIGHT_M_PER_S * nominal_hz
    return compare(
        indicated,
        nominal_hz,
        (Term.rectangular(carrier.name, carrier.half_width_hz(nominal_hz) + doppler),),
        f"{carrier.name} on {nominal_hz:.0f} Hz ({carrier.source}), not traceable",
        method="known carrier",
        taken_utc=taken_utc,
        oscillator=oscillator,
        tuner_step_hz=tuner_step_hz,
        note=note,
    )


def cross_checked(found: FrequencyReference, counted: FrequencyReference) -> str:
    """Hold a known carrier against the counter's reference as good as it is now: it may doubt it, never overrule it."""
    difference = found.correction_ppm - counted.correction_ppm
    allowed = math.hypot(found.uncertainty_ppm, counted.uncertainty_ppm)
    apart = (
        f"{difference:+.2f} ppm from the counter's {counted.correction_ppm:+.2f} ± {counted.uncertainty_ppm:.2f} ppm"
    )
    if abs(difference) <= allowed:
        return f"It lies {apart}, which agrees; the counter's stays in use."
    return (
        f"It lies {apart}, where {allowed:.2f} ppm were allowed for: one of the two is wrong. The counter's stays in "
        "use; compare with a counter again."
    )


@dataclass(frozen=True, slots=True)
class BeforeAndAfter:
    """What two references, one before and one after a job, say of the time between."""

    reference: FrequencyReference
    difference_ppm: float
    allowed_ppm: float
    agree: bool
    sentence: str


def before_and_after(before: FrequencyReference, after: FrequencyReference) -> BeforeAndAfter:
    """Join the reference before a job with the one after it; the drift between them becomes a term of its own."""
    if before.taken_utc is None or after.taken_utc is None or after.taken_utc <= before.taken_utc:
        raise ReceiverError("before and after need two references with times, the second later than the first")
    difference = after.correction_ppm - before.correction_ppm
    age = after.taken_utc - before.taken_utc
    drift = OSCILLATORS[before.oscillator].drift_ppm(age) if before.oscillator else 0.0
    allowed = drift + math.hypot(before.uncertainty_ppm, after.uncertainty_ppm)
    agree = abs(difference) <= allowed
    worst = max(before, after, key=lambda reference: reference.uncertainty_ppm)
    terms = (*worst.terms, Term.rectangular("drift between before and after", abs(difference) / 2))
    joined = FrequencyReference.of_terms(
        (before.correction_ppm + after.correction_ppm) / 2,
        terms,
        f"mean of before and after, {_age_text(age)} apart, {difference:+.2f} ppm between them",
        method=before.method,
        taken_utc=None,
        oscillator=None,
        note=before.note,
    )
    found = f"The reference moved by {difference:+.2f} ppm in {_age_text(age)}; {allowed:.2f} ppm were allowed for"
    verdict = "." if agree else ": readings taken between carry the wider uncertainty, and something warmed or shook."
    return BeforeAndAfter(joined, difference, allowed, agree, found + verdict)


@dataclass(frozen=True, slots=True)
class WarmUp:
    """Readings of one steady carrier while the dongle warms up: seconds since the start, and ppm against the first."""

    times_s: tuple[float, ...]
    ppm: tuple[float, ...]

    def settled_s(self, band_ppm: float = 0.1, window_s: float = 300.0) -> float | None:
        """When it settled: from then on every reading stays within ±`band_ppm` of the last, for `window_s` or longer.

        None where it has not settled yet.
        """
        if not self.times_s:
            return None
        last = self.ppm[-1]
        since = self.times_s[-1]
        for time_s, value in zip(reversed(self.times_s), reversed(self.ppm), strict=True):
            if abs(value - last) > band_ppm:
                break
            since = time_s
        return since if self.times_s[-1] - since >= window_s else None

    @property
    def moved_ppm(self) -> float:
        """From the first reading to the last."""
        return self.ppm[-1] - self.ppm[0] if self.ppm else 0.0


def now_utc() -> datetime:
    """The computer's time, to the second."""
    return datetime.now(UTC).replace(microsecond=0)


def _age_text(age: timedelta) -> str:
    seconds = age.total_seconds()
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.0f} h" if seconds < 172_800 else f"{seconds / 86_400:.0f} days"
