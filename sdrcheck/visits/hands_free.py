"""The hands-free run: one person at the radio, the laptop three metres away.

A state machine. It takes what the engine yields, recognises each keying, files it to its check and says what comes
next; it knows no sound, no screen and no source. Whoever runs it shows and speaks the announcements.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from sdrcheck.findings.inspection import Kind, Transmission
from sdrcheck.visits.checks.check import Check, Keying, Power
from sdrcheck.visits.matching import objection

LEVEL_STEP_DB = 6.0
"""High and low power lie 14 to 24 dB apart; with less than this between them the step was not changed."""

STRANGER_DB = 40.0
"""What lies this far below the set's own level came in from outside: another ship, not this set."""

CLICK_S = 0.2
"""Shorter ones are key clicks and position reports of ships around; a call takes 0.4 s at least."""

WRONG_TRIES = 3
"""After so many wrong keyings in a row the check is left for later, so that a run never hangs."""


class Sound(enum.StrEnum):
    """The tone that goes with an announcement."""

    NONE = "none"
    HEARD = "heard"
    WRONG = "wrong"
    FINISHED = "finished"


@dataclass(frozen=True, slots=True)
class Announcement:
    """What to show in large type and say aloud, and what was filed."""

    text: str
    say: str
    sound: Sound = Sound.NONE
    check: Check | None = None
    """The check that is asked for next, or that was filed."""
    filed: Transmission | None = None
    """The transmission that now belongs to `check`; whoever runs this writes it to the ledger."""
    place: int | None = None
    """Which transmission of the run it was, counting from 0."""
    at_s: float | None = None
    """Time in the samples at which it was said."""
    wrong: str = ""
    """Why a keying was not taken."""


@dataclass
class HandsFree:
    """One run through the keyings of a set."""

    checks: Sequence[Check]
    filed: dict[str, int] = field(default_factory=dict)
    """Check id to the place of its transmission."""
    left: list[Check] = field(default_factory=list)
    """Checks left for later."""
    _high_dbfs: dict[str | None, float] = field(default_factory=dict)

    def run(self, events: Iterable[Any]) -> Iterator[Announcement]:
        """Yield announcements while the engine's events come.

        An event with a `transmission` is a keying that is over; one with a `sentence` is trouble with the source. All
        others are passed over.
        """
        waiting = list(self.checks)
        tries = 0
        place = -1
        if not waiting:
            yield Announcement("Nothing to key on this set.", "Nothing to key.", Sound.FINISHED)
            return
        yield self._ask(waiting[0], None)
        for event in events:
            sentence = getattr(event, "sentence", None)
            if isinstance(sentence, str):
                yield Announcement(sentence, "Trouble with the receiver.", Sound.WRONG, waiting[0])
                if getattr(event, "stopped", False):
                    break
                continue
            found = getattr(event, "transmission", None)
            if not isinstance(found, Transmission):
                continue
            place += 1
            if self._stranger(found):
                continue
            end_s = found.start_s + found.duration_s
            check = waiting[0]
            wrong = self._wrong(check, found)
            if wrong and (other := self._meant(waiting[1:], found)) is not None:
                # The person is ahead of us: the keying is right for a later check.
                taken = self._take(other, found, place, end_s)
                yield replace(taken, text=f"{wrong}\nIt fits “{other.title}” and was filed there.")
                waiting.remove(other)
            elif wrong:
                tries += 1
                yield Announcement(wrong, wrong, Sound.WRONG, check, place=place, at_s=end_s, wrong=wrong)
                if tries < WRONG_TRIES:
                    yield self._ask(check, end_s)
                    continue
                self.left.append(waiting.pop(0))
                yield Announcement(f"{check.title}: left for later.", "Left for later.", Sound.NONE, check, at_s=end_s)
            else:
                yield self._take(check, found, place, end_s)
                waiting.pop(0)
            tries = 0
            if not waiting:
                break
            yield self._ask(waiting[0], end_s)
        self.left.extend(waiting)
        missing = f"; left for later: {', '.join(check.id for check in self.left)}" if self.left else ""
        yield Announcement(
            f"Finished: {len(self.filed)} of {len(self.checks)} filed{missing}.",
            "Finished. Thank you." if not self.left else "Finished. Some are left for later.",
            Sound.FINISHED,
        )

    def _stranger(self, found: Transmission) -> bool:
        if found.duration_s < CLICK_S or found.kind is Kind.DATA_BURST:
            return True
        level = found.reading("level")
        return (
            bool(self._high_dbfs) and level is not None and (level.value < max(self._high_dbfs.values()) - STRANGER_DB)
        )

    def _ask(self, check: Check, at_s: float | None) -> Announcement:
        return Announcement(f"{check.title}\n{check.say}", check.say, check=check, at_s=at_s)

    def _take(self, check: Check, found: Transmission, place: int, end_s: float) -> Announcement:
        self.filed[check.id] = place
        level = found.reading("level")
        if level is not None and check.keying is not None and check.keying.power is Power.HIGH:
            self._high_dbfs[check.keying.channel] = level.value
        return Announcement(f"{check.title}: filed.", "Thank you.", Sound.HEARD, check, found, place, end_s)

    def _meant(self, others: Sequence[Check], found: Transmission) -> Check | None:
        return next((check for check in others if not self._wrong(check, found)), None)

    def _wrong(self, check: Check, found: Transmission) -> str:
        """Why a keying is not the one asked for, as it is said; empty where it is."""
        assert check.keying is not None
        return objection(check, found) or self._wrong_power(check.keying, found)

    def _wrong_power(self, keying: Keying, found: Transmission) -> str:
        level = found.reading("level")
        if level is None or not self._high_dbfs:
            return ""
        high = self._high_dbfs.get(keying.channel, max(self._high_dbfs.values()))
        step = high - level.value
        if keying.power is Power.LOW and step < LEVEL_STEP_DB:
            return "That was high power. Please switch to low power and key again."
        if keying.power is Power.HIGH and step > LEVEL_STEP_DB:
            return "That was low power. Please switch to high power and key again."
        return ""  # automatic reduction is a finding, whichever way it comes out
