"""Messages out of the samples of one channel, as they come: ZCZC … NNNN after Rec. ITU-R M.540.

A sender is followed from its first good bits to its end. Another station that comes up, weaker or stronger, is another
sender: its characters never continue the first one's message.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from sdrcheck.decoders.fsk import NARROW_RATE_HZ, find_centres, shifted_and_narrowed
from sdrcheck.decoders.fsk_follow import Follower, Stretch
from sdrcheck.decoders.navtex.framing import CLEAR_EVIDENCE, PAIR_S, Assembler
from sdrcheck.decoders.navtex.message import Message
from sdrcheck.decoders.navtex.modeb import PAIR_BITS, ModeB
from sdrcheck.decoders.navtex.receiver import ConformingReceiver
from sdrcheck.decoders.navtex.symbols import WORD_BITS, code_table
from sdrcheck.filters.excerpt import BitTrack, Excerpt
from sdrcheck.filters.iq import Complex

if TYPE_CHECKING:
    from sdrcheck.decoders.decoder import Decode

LOST_AFTER_S = 8.0
"""How long a sender may stay unreadable, as in a deep fade, before it is let go."""
UNALIGNED_BITS = 1_200
"""How long bits may come that are no mode B at all before watching starts again."""
FADED_EVIDENCE = 5.0
REMEMBERED_S = 1_200.0
"""How long the bits are kept for the measurements: two slots."""
_AT_ONCE = 16_384
"""Samples taken at once, so that the follower's memory stays small however many are fed."""
CLEAR_NATS = 8.0
"""A bit as clear as this is taken as it was received, whatever the code says; the measurements need what was sent."""


@dataclass(frozen=True, slots=True)
class News:
    """What came out of the samples that were fed last."""

    text: str = ""
    """Characters as printed, `*` where one was lost; outside messages only what was clear."""
    messages: tuple[Message, ...] = ()
    """Messages that ended."""


class Reader:
    """Feed the samples of one text channel (1 to 4 kS/s, 0 Hz where the centre is expected); characters come out.

    It costs next to nothing while nothing is on the air, and its memory does not grow.
    """

    def __init__(
        self,
        sample_rate_hz: float,
        *,
        start_s: float = 0.0,
        receiver: ConformingReceiver | None = None,
    ) -> None:
        """`start_s` is the time of the first sample from the start of the recording."""
        self._follower = Follower(sample_rate_hz, start_s)
        self._mode_b: ModeB | None = None
        self._assembler = Assembler(receiver or ConformingReceiver())
        self._unreadable_s = 0.0
        self._stretches: deque[tuple[int, int, Stretch]] = deque()
        """Which sender, the place of its first bit among that sender's, and the bits."""
        self._words: deque[tuple[int, int, int]] = deque(maxlen=round(2 * REMEMBERED_S / PAIR_S))
        """Words as they were settled: which sender, place of the first bit, place in CHARACTERS."""
        self._heard: deque[tuple[int, int]] = deque(maxlen=round(REMEMBERED_S / PAIR_S))
        """Pairs in which the sender was plainly heard: which sender, place of the first bit."""
        self._sender = 0
        self.inverted = False
        """The last sender's lines were exchanged."""

    def feed(self, iq: Complex) -> News:
        """Take more samples; what they complete comes back."""
        text, messages = "", list[Message]()
        for first in range(0, iq.size, _AT_ONCE):
            self._follower.feed(iq[first : first + _AT_ONCE])
            news = self._advance(last=False)
            text += news.text
            messages += news.messages
        return News(text, tuple(messages))

    def finish(self) -> News:
        """Say that no more samples come; what is left comes back."""
        self._follower.close()
        news = self._advance(last=True)
        rest = self._end_sender()
        return News(news.text + rest.text, news.messages + rest.messages)

    @property
    def stray_text(self) -> str:
        """Text outside any message, since the beginning."""
        return "\n".join(self._assembler.stray)

    @property
    def remarks(self) -> tuple[str, ...]:
        """What a technician should know of the emission."""
        return tuple(self._assembler.remarks)

    def track(self) -> BitTrack | None:
        """The bits of the sender that was heard longest, where they lay, for the measurements.

        Times are seconds from the start of the recording. The bits of the last twenty minutes are kept.
        """
        senders = {sender for sender, _ in self._heard} & {sender for sender, _, _ in self._stretches}
        if not senders:
            return None
        best = max(senders, key=lambda one: sum(sender == one for sender, _ in self._heard))
        mine = [(first, stretch) for sender, first, stretch in self._stretches if sender == best]
        base = mine[0][0]
        starts = np.concatenate([stretch.starts_s for _, stretch in mine])
        llr = np.concatenate([-stretch.llr for _, stretch in mine]) * (-1 if self.inverted else 1)
        bits = (llr > 0).astype(np.uint8)
        for sender, bit, place in self._words:
            span = slice(bit - base, bit - base + WORD_BITS)
            if sender == best and span.start >= 0 and span.stop <= bits.size:
                bits[span] = np.where(np.abs(llr[span]) < CLEAR_NATS, code_table()[place], bits[span])
        pairs = [bit - base for sender, bit in self._heard if sender == best]
        sent = slice(max(0, min(pairs)), max(pairs) + PAIR_BITS)  # not the noise before and after
        bits, starts = bits[sent], starts[sent]
        if bits.size < PAIR_BITS:
            return None
        bit_s, first_s = np.polyfit(np.arange(starts.size), starts, 1)
        return BitTrack(
            bits=tuple(bits.tolist()),
            first_bit_s=float(first_s),
            rate_bd=1 / float(bit_s),
            offset_hz=float(np.median([stretch.centre_hz for _, stretch in mine])),
            one_is="B",
            inverted=self.inverted,
        )

    def _advance(self, *, last: bool) -> News:
        text, messages = "", list[Message]()
        while (stretch := self._follower.next_stretch(last=last)) is not None:
            news = self._take(stretch)
            text += news.text
            messages += news.messages
        return News(text, tuple(messages))

    def _take(self, stretch: Stretch) -> News:
        if self._mode_b is None:
            self._mode_b = ModeB()
            self._sender += 1
            self._unreadable_s = 0.0
        mode_b = self._mode_b
        slips = mode_b.slips
        self._stretches.append((self._sender, mode_b.bits, stretch))
        characters = mode_b.feed(stretch)
        clear = [one for one in characters if one.evidence > CLEAR_EVIDENCE]
        self._words.extend((self._sender, bit, place) for one in clear for bit, place in one.places)
        self._heard.extend((self._sender, one.bit) for one in clear if one.first == one.place)
        if mode_b.inverted and not self.inverted:
            self._assembler.remark(
                "The keying is inverted: every word came with three B and four Y. The lines are exchanged at the "
                "sender, or the receiver stands on the wrong sideband."
            )
        self.inverted = mode_b.inverted
        while self._stretches[-1][2].starts_s[-1] - self._stretches[0][2].starts_s[-1] > REMEMBERED_S:
            self._stretches.popleft()
        text, messages = self._assembler.take(characters, slipped=mode_b.slips > slips)
        self._judge_sender(mode_b, stretch)
        if self._mode_b is None:
            messages += self._assembler.sender_lost()
        return News(text, messages)

    def _judge_sender(self, mode_b: ModeB, stretch: Stretch) -> None:
        """Let a sender go that is gone, and turn to another that came up."""
        if mode_b.aligned and mode_b.recent_evidence() > FADED_EVIDENCE:
            self._unreadable_s = 0.0
            return
        if not mode_b.aligned and mode_b.bits < 2 * stretch.llr.size:
            return
        self._unreadable_s += stretch.llr.size * stretch.bit_s
        rival = self._follower.rival(stretch)
        if rival is not None:
            self._follower.follow(rival)
            self._mode_b = None
        elif self._unreadable_s > (LOST_AFTER_S if mode_b.aligned else UNALIGNED_BITS / 100):
            self._follower.release()
            self._mode_b = None

    def _end_sender(self) -> News:
        characters = self._mode_b.finish() if self._mode_b is not None else []
        text, messages = self._assembler.take(characters, slipped=False)
        self._mode_b = None
        return News(text, messages + self._assembler.sender_lost())


def decode(excerpt: Excerpt) -> Decode:
    """Read all messages in one transmission; a passband of receiver sound is searched for their centre first."""
    from sdrcheck.decoders.decoder import Decode  # which itself needs Message from this folder

    if excerpt.sample_rate_hz <= NARROW_RATE_HZ:
        return _decode(excerpt.iq, excerpt.sample_rate_hz, excerpt.start_s, 0.0)
    for centre_hz in find_centres(excerpt.iq, excerpt.sample_rate_hz):
        iq, rate = shifted_and_narrowed(excerpt.iq, excerpt.sample_rate_hz, centre_hz)
        found = _decode(iq, rate, excerpt.start_s, centre_hz)
        if found.messages or found.stray_text:
            return found
    return Decode()


def _decode(iq: Complex, sample_rate_hz: float, start_s: float, centre_hz: float) -> Decode:
    from sdrcheck.decoders.decoder import Decode

    reader = Reader(sample_rate_hz, start_s=start_s)
    messages = reader.feed(iq).messages + reader.finish().messages
    if not messages and not reader.stray_text:
        return Decode()
    track = reader.track()
    if track is not None:
        track = replace(track, first_bit_s=track.first_bit_s - start_s, offset_hz=track.offset_hz + centre_hz)
    return Decode(messages=messages, stray_text=reader.stray_text, remarks=reader.remarks, text_track=track)
