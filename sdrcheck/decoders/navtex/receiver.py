"""What a conforming ship's receiver would do with a message: print it, store it, sound the alarm, or keep silent.

Rules: Rec. ITU-R M.540 Annex II §§3 to 6 (printed only with an error-free B1 to B4, 00 always), IMO MSC.148(77) §6.2
(identities stored only below 4 % errors, erased after 60 to 72 h), NAVTEX Manual MSC.1/Circ.1403 §§5.3 and 5.4
(subjects that cannot be rejected, alarm on D). That reception stops above 33 % errors for 5 s is from memory of
IEC 61097-6.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from sdrcheck.decoders.navtex.message import ShipReceiver

SATISFACTORY_RATIO = 0.04
"""Character error ratio below which a message counts as received (MSC.148(77) §6.2.3)."""
STOPS_ABOVE_RATIO = 0.33
STOPS_AFTER_CHARACTERS = 36
"""5 s of pairs; from memory, see the head of this file."""
NOT_REJECTABLE = frozenset("ABDL")
"""NAVTEX Manual table 1; L only since the receivers of July 2005."""
ALARMING = frozenset("D")
SURELY_KEPT_S = 60 * 3600.0
SURELY_ERASED_S = 72 * 3600.0
LEAST_PHASING_S = 0.28
"""Two pairs: one phasing signal of each kind and one more (Rec. ITU-R M.625, from memory)."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What the user of the receiver chose."""

    stations: frozenset[str] | None = None
    """B1 letters selected; None is all of them."""
    rejected: frozenset[str] = frozenset()
    """B2 letters rejected; A, B, D and L cannot be."""


@dataclass(frozen=True, slots=True)
class Heard:
    """A message as an ordinary receiver had it."""

    identity: str | None
    """B1 to B4, None where they did not arrive without error."""
    characters: int
    errors: int
    complete: bool
    stopped: bool
    """More than a third of the characters were lost for five seconds, which ends reception."""
    phasing_s: float | None
    first_of_sender: bool
    start_s: float


@dataclass(slots=True)
class ConformingReceiver:
    """A receiver that remembers what it has stored."""

    settings: Settings = field(default_factory=Settings)
    stored: dict[str, float] = field(default_factory=dict)
    """Identity -> when it was stored, seconds on the clock of the messages."""

    def hear(self, heard: Heard) -> ShipReceiver:
        """Decide what becomes of a message, and remember it."""
        if heard.identity is None:
            return _silent(
                "B1 to B4 or the ZCZC before them did not arrive without error, so nothing is printed or stored"
            )
        if heard.first_of_sender and heard.phasing_s is not None and heard.phasing_s < LEAST_PHASING_S:
            return _silent("no phasing was heard before it, so a receiver could not lock in time")
        station, subject, number = heard.identity[0], heard.identity[1], heard.identity[2:]
        always = number == "00"
        if not always:
            if self.settings.stations is not None and station not in self.settings.stations:
                return _silent(f"station {station} is not selected")
            if subject in self.settings.rejected and subject not in NOT_REJECTABLE:
                return _silent(f"subject {subject} is rejected")
            kept = self.stored.get(heard.identity)
            if kept is not None and heard.start_s - kept < SURELY_KEPT_S:
                return _silent(f"{heard.identity} is already stored, so its repeat is suppressed")
        ratio = heard.errors / heard.characters if heard.characters else 1.0
        clean = ratio < SATISFACTORY_RATIO and heard.complete and not heard.stopped
        if clean:
            self.stored[heard.identity] = heard.start_s
        alarm = subject in ALARMING
        return ShipReceiver(
            printed=True, stored=clean, alarm=alarm, reason="; ".join(_reasons(heard, ratio, always, alarm))
        )


def _silent(reason: str) -> ShipReceiver:
    return ShipReceiver(printed=False, stored=False, alarm=False, reason=reason)


def _reasons(heard: Heard, ratio: float, always: bool, alarm: bool) -> list[str]:
    share = f"{heard.errors} of {heard.characters} characters were lost ({100 * ratio:.1f} %)"
    said = ["number 00 is always printed" if always else "B1 to B4 arrived without error"]
    if heard.stopped:
        said.append(f"{share}, more than 33 % of them for 5 s, which ends reception: not stored")
    elif not heard.complete:
        said.append(f"{share} and the end NNNN was not received: not stored")
    elif ratio < SATISFACTORY_RATIO:
        said.append(f"{share}, below 4 %: stored")
    else:
        said.append(f"{share}, not below 4 %: not stored, its repeat will be printed again")
    if alarm:
        said.append("subject D sounds the alarm")
    return said
