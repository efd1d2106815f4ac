"""What the window knows of each keying, live or ended, in the order of time. No Qt."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from sdrcheck.bench import CharactersArrived, SourceFault, TransmissionEnded, TransmissionStarted, in_doubt
from sdrcheck.channels.channel import Channel
from sdrcheck.channels.plan import frequency_text
from sdrcheck.filters.excerpt import Excerpt
from sdrcheck.findings.inspection import Transmission
from sdrcheck.watching.memory import Keeping

_SHOWN_TEXT = 200_000


@dataclass(slots=True, eq=False)
class Keying:
    """One keying of one channel."""

    number: int
    start_s: float
    frequency_hz: float
    channel: Channel | None
    transmission: Transmission | None = None
    excerpt: Excerpt | None = None
    marked: bool = False
    texts: list[str] = field(default_factory=list)
    keeping: Keeping | None = None
    """The recording that was begun of it when it was marked."""
    settled: bool = False
    """That recording is done with: whole, or told of as too long."""
    instead_of: int | None = None
    """Number under which its text was shown before it stood out as a keying."""

    @property
    def lane(self) -> str:
        """The name of its lane: the channel's, or its frequency off the plan."""
        if self.transmission is not None:
            return self.transmission.channel or frequency_text(self.transmission.frequency_hz)
        return self.channel.name if self.channel else frequency_text(self.frequency_hz)

    @property
    def end_s(self) -> float | None:
        """When it ended; None while it is on the air."""
        return None if self.transmission is None else self.transmission.start_s + self.transmission.duration_s

    @property
    def kept(self) -> Keeping | None:
        """Its recording, where one was made and is whole."""
        keeping = self.keeping
        return keeping if keeping is not None and keeping.finished and keeping.problem is None else None

    @property
    def text(self) -> str:
        return "".join(self.texts)[-_SHOWN_TEXT:]

    @property
    def label(self) -> str:
        """What it was, in a few words."""
        if self.transmission is None:
            return "text arriving" if self.texts else "on the air"
        found = self.transmission
        if found.calls:
            first = found.calls[0].type
            return first if len(found.calls) == 1 else f"{first} ×{len(found.calls)}"
        if found.messages:
            names = ", ".join(f"{m.station or '?'}{m.subject or '?'}{m.number or '??'}" for m in found.messages[:4])
            return f"text {names}"
        return found.condition if found.kind == "voice" else str(found.kind)


def _same(one: Transmission | None, other: Transmission) -> bool:
    return one is not None and (one.start_s, one.frequency_hz) == (other.start_s, other.frequency_hz)


def _early(channel: Channel) -> int:
    """The number of a channel's text that came before any keying stood out; those of keyings are positive."""
    return -channel.frequency_hz


class Keyings:
    """All keyings that the rolling memory still spans, and the marked ones however old."""

    def __init__(self, span_s: float) -> None:
        self._span_s = span_s
        self._by_number: dict[int, Keying] = {}
        self._in_order: list[Keying] | None = None
        self._lanes: list[str] | None = None
        self.changes = 0
        """Grows whenever anything here has changed."""

    def _changed(self) -> None:
        self._in_order = self._lanes = None
        self.changes += 1

    def show_event(self, event: object) -> Keying | None:
        """Take in an event; returns the keying that it changed."""
        if isinstance(event, (TransmissionStarted, TransmissionEnded)):
            self._changed()
        if isinstance(event, TransmissionStarted):
            keying = Keying(event.number, event.start_s, event.frequency_hz, event.channel)
            return self._add(keying)
        if isinstance(event, CharactersArrived):
            arriving = self._by_number.get(event.number) or self._with_text(event)
            if arriving is not None:
                arriving.texts.append(event.text)
            return arriving
        if isinstance(event, TransmissionEnded):
            found = event.transmission
            known = self._by_number.get(event.number)
            if known is None:
                known = self._add(Keying(event.number, found.start_s, found.frequency_hz, event.excerpt.channel))
            known.start_s = found.start_s
            known.transmission, known.excerpt = found, event.excerpt
            return known
        return None

    def doubt(self, fault: SourceFault) -> list[Keying]:
        """Take back the verdicts on what was shown before it came out that samples may be missing in it."""
        changed = []
        for keying in self:
            if keying.transmission is not None and fault.casts_doubt_on(keying.transmission):
                keying.transmission = in_doubt(keying.transmission, fault)
                changed.append(keying)
        if changed:
            self._changed()
        return changed

    def of(self, found: Transmission) -> Keying | None:
        """The keying that a finding is of, as it was told or as it stands since."""
        return next((one for one in self if _same(one.transmission, found)), None)

    def _add(self, keying: Keying) -> Keying:
        """Take in a keying, and the text that came in on its channel before it stood out."""
        if keying.channel is not None:
            early = self._by_number.pop(_early(keying.channel), None)
            if early is not None:
                keying.texts, keying.instead_of = early.texts, early.number
        self._by_number[keying.number] = keying
        return keying

    def _with_text(self, event: CharactersArrived) -> Keying | None:
        """The keying on the air to which text without a number belongs; one for the text alone where there is none."""
        if event.channel is None:
            return None
        on_it = [one for one in self if one.channel == event.channel and one.transmission is None]
        if on_it:
            return on_it[-1]
        self._changed()
        return self._add(Keying(_early(event.channel), event.time_s, float(event.channel.frequency_hz), event.channel))

    def forget_before(self, now_s: float) -> None:
        """Let go of unmarked keyings that ended before the memory's span."""
        for number, keying in list(self._by_number.items()):
            end = keying.end_s
            if end is not None and not keying.marked and end < now_s - self._span_s:
                del self._by_number[number]
                self._changed()

    def drop_unfinished(self) -> None:
        """Forget keyings that never ended, when the engine is gone."""
        for number in [k.number for k in self if k.transmission is None]:
            del self._by_number[number]
        self._changed()

    def __iter__(self) -> Iterator[Keying]:
        if self._in_order is None:
            self._in_order = sorted(self._by_number.values(), key=lambda keying: (keying.start_s, keying.number))
        return iter(self._in_order)

    def __len__(self) -> int:
        return len(self._by_number)

    def get(self, number: int | None) -> Keying | None:
        return None if number is None else self._by_number.get(number)

    @property
    def on_the_air(self) -> bool:
        """Whether any has not ended yet."""
        return any(keying.transmission is None for keying in self._by_number.values())

    def lanes(self) -> list[str]:
        """Lane names, the highest frequency on top."""
        if self._lanes is None:
            frequency = {keying.lane: keying.frequency_hz for keying in self}
            self._lanes = sorted(frequency, key=lambda lane: -frequency[lane])
        return self._lanes
