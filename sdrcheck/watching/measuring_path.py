"""Two tests of the way from the set to the dongle: is it linear, and does anything get around the cable?

Each compares two keyings of the same set: as it stands and with more attenuation, with the cable and without it. The
rules are common practice: corrected for the added attenuation a reading moves by no more than 0.5 dB, and what arrives
without the cable lies 20 dB below what comes through it, for levels 30 dB.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from sdrcheck.channels.channel import Channel, Emission, Mark
from sdrcheck.channels.plan import frequency_text
from sdrcheck.errors import MeasurementError
from sdrcheck.filters.channeliser import Channeliser, Passband
from sdrcheck.filters.iq import complex_samples
from sdrcheck.findings.inspection import Inspection, Reading, Transmission
from sdrcheck.findings.wording import format_place, format_value
from sdrcheck.limits.limit import Limit, Standing
from sdrcheck.quantities import Measured, Term
from sdrcheck.receiver.level import REPEATABILITY_DB
from sdrcheck.sources.source import IqBlock, IqSource, SourceFacts
from sdrcheck.verdicts.judge import Verdict, judge

LINEAR_DB = 0.5
LEAST_BELOW_DB, BELOW_FOR_LEVELS_DB = 20.0, 30.0
CLIPPING_MATTERS = 1e-4
SAME_HZ = 250.0
"""Off the channel plan a keying lies where its carrier was found, which differs a little from one to the next."""
_PRACTICE = "common practice"
_WINDOW_S = 0.1
_BLOCK_S = 0.02


@dataclass(frozen=True, slots=True)
class PathFinding:
    """What a test of the path showed, and what follows for the readings that were taken through it."""

    quantity: str
    value: Measured
    verdict: Verdict | None
    """None where the samples do not tell."""
    sentence: str
    follows: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Keyed:
    """One of the two keyings: its level, and where it was found."""

    level: Measured
    place: str
    frequency_hz: float
    gain_db: float | None
    clipped_fraction: float
    found: bool = True
    """False where nothing was keyed there: the level is the most that can have been."""


def linearity(before: Keyed, after: Keyed, added: Measured) -> PathFinding:
    """Judge whether the level fell as far as the added attenuation says; `added` in dB, with what is known of it.

    Raises MeasurementError where the two cannot be compared.
    """
    _require_same(before, after)
    moved = _difference(after.level, before.level)
    moved = Measured(
        moved.value + added.value, "dB", (*moved.terms, *added.terms), "level corrected for the attenuation"
    )
    limit = _limit("level, corrected for added attenuation", -LINEAR_DB, LINEAR_DB)
    verdict = judge(moved, limit)
    fell = before.level.value - after.level.value
    sentence = (
        f"With {added.value:g} dB more attenuation the level on {before.place} fell by {fell:.2f} dB: corrected, it "
        f"moved by {format_value(moved.value, moved.uncertainty, 'dB', signed=True)}, ±{LINEAR_DB:g} dB are allowed."
    )
    follows = []
    if before.clipped_fraction > CLIPPING_MATTERS:
        follows.append(f"The first one was clipped ({before.clipped_fraction:.2%} of its samples): it was overloaded.")
    if verdict is Verdict.PASS:
        follows.append("The path is linear: what was read as it stood is as good as its uncertainty says.")
    elif verdict is Verdict.PASS_NOT_PROVEN:
        follows.append("The path is linear as far as the added attenuation is known; readings stand.")
    elif moved.value > 0:
        follows += [
            "The level fell too little: the dongle was overloaded as it stood.",
            "Level, deviation, bandwidth and products read that way are void; the carrier's frequency stands.",
            "Leave the added attenuation in, or take less gain, and test again.",
        ]
    else:
        follows += [
            "The level fell too far: the added attenuation is not what it says, a plug is loose, or the set's power "
            "fell between the two.",
            "Levels are void until the two agree; frequencies and modulation stand.",
        ]
    return PathFinding(limit.quantity, moved, verdict, sentence, tuple(follows))


def leak(cable: Keyed, without: Keyed) -> PathFinding:
    """Judge how far what still arrives without the cable lies below what comes through it.

    Raises MeasurementError where the two cannot be compared.
    """
    _require_same(cable, without)
    below = _difference(cable.level, without.level)
    limit = _limit("path around the cable", LEAST_BELOW_DB)
    for_levels = _limit("path around the cable", BELOW_FOR_LEVELS_DB)
    worst = 20 * math.log10(1 + 10 ** (-below.value / 20))
    if without.found:
        sentence = f"Without the cable the set was still heard on {cable.place}, {below.value:.1f} dB below the cable."
        verdict: Verdict | None = judge(below, limit)
    else:
        sentence = f"Without the cable nothing was heard on {cable.place}: at least {below.value:.1f} dB below it."
        verdict = Verdict.PASS if below.value >= LEAST_BELOW_DB else None
    if verdict is None:
        follows: tuple[str, ...] = (
            f"That is too little to tell: {LEAST_BELOW_DB:g} dB are wanted, and the dongle's own noise hides the rest.",
            "Let more through the cable (less attenuation, more gain; mind the overload) and test again.",
        )
    elif verdict in (Verdict.FAIL, Verdict.FAIL_NOT_PROVEN):
        follows = (
            f"What gets around the cable may move a level by {worst:.1f} dB: every reading taken this way is void.",
            "Find where it gets in: loose plugs, an antenna on the set, the dongle's own case, its USB cable.",
            "More attenuation makes it worse: let more through the cable, move the dongle away, test again.",
        )
    elif below.value < BELOW_FOR_LEVELS_DB or judge(below, for_levels) is Verdict.FAIL:
        follows = (
            f"Frequencies, modulation and calls stand. Levels are void: they may be {worst:.1f} dB off, and "
            f"{BELOW_FOR_LEVELS_DB:g} dB are wanted for them.",
        )
    else:
        follows = (f"All readings stand; a level moves by {worst:.2f} dB at most.",)
    return PathFinding(limit.quantity, below, verdict, sentence, follows)


def keyed_in(inspection: Inspection, gain_db: float | None, frequency_hz: float | None = None) -> Keyed | None:
    """The keying to compare: the strongest, or the strongest on a frequency; None where there is none."""
    best: tuple[Reading, Transmission] | None = None
    for transmission in inspection.transmissions:
        level = transmission.reading("level, peak envelope") or transmission.reading("level")
        elsewhere = frequency_hz is not None and not _same(transmission.frequency_hz, frequency_hz)
        if level is None or elsewhere or (best is not None and level.value <= best[0].value):
            continue
        best = level, transmission
    if best is None:
        return None
    reading, transmission = best
    terms = tuple(Term(term.name, term.standard, term.distribution) for term in reading.terms)
    return Keyed(
        Measured(reading.value, reading.unit, terms),
        format_place(transmission),
        transmission.frequency_hz,
        gain_db,
        inspection.recording.clipped_fraction,
    )


class Watchful:
    """A source's first seconds, and the most power that was in one channel over a tenth of a second."""

    def __init__(self, source: IqSource, channel: Channel | float | None, seconds: float | None) -> None:
        """Look at a channel or a frequency, at nothing where that is None; end after `seconds`, or with the source."""
        self._source, self._seconds = source, seconds
        self._most = 0.0
        self._powers: list[float] = []
        self._bank: Channeliser | None = None
        facts = source.facts
        if channel is None:
            return
        frequency_hz = channel.frequency_hz if isinstance(channel, Channel) else channel
        self._offset_hz = frequency_hz - facts.centre_hz
        self._passband = _passband(channel)
        if abs(self._offset_hz) > facts.sample_rate_hz / 2:
            raise MeasurementError(
                f"{frequency_text(frequency_hz)} does not lie within what was received around "
                f"{frequency_text(facts.centre_hz)}; take another channel or another recording"
            )
        self._bank = Channeliser(facts.sample_rate_hz, _BLOCK_S, 1, one_sided=facts.audio)

    @property
    def facts(self) -> SourceFacts:
        return self._source.facts

    @property
    def most(self) -> Measured:
        """The most power that the channel held, noise included, in dBFS."""
        return Measured(10 * math.log10(max(self._most, 1e-20)), "dBFS", (), f"most in any {_WINDOW_S:g} s")

    def blocks(self) -> Iterator[IqBlock]:
        for block in self._source.blocks():
            self._look(block)
            yield block
            if self._seconds is not None:
                reached = (block.first_sample + block.count) / self.facts.sample_rate_hz
                if reached >= self._seconds:
                    return

    def close(self) -> None:
        self._source.close()

    def _look(self, block: IqBlock) -> None:
        if self._bank is None:
            return
        for batch in self._bank.feed(complex_samples(block.raw, block.datatype)):
            cut = self._bank.cut(batch, self._offset_hz, self._passband)
            iq = self._bank.samples_of(cut, batch.first_block, self._offset_hz, self._passband)
            self._powers.append(float(np.mean(np.square(np.abs(iq)))))
            wanted = max(1, round(_WINDOW_S / self._bank.block_duration_s))
            if len(self._powers) >= wanted:
                self._most = max(self._most, float(np.mean(self._powers[-wanted:])))
                del self._powers[:-wanted]


def _passband(channel: Channel | float) -> Passband:
    if isinstance(channel, Channel) and channel.emission is Emission.J3E:
        return Passband(0.0, 2_700.0, 10_000.0)
    if isinstance(channel, Channel) and channel.emission is Emission.F1B:
        return Passband(-150.0, 150.0, 2_000.0)
    return Passband(-8_000.0, 8_000.0, 48_000.0)


def _same(one_hz: float, other_hz: float) -> bool:
    return abs(one_hz - other_hz) <= SAME_HZ


def _require_same(first: Keyed, second: Keyed) -> None:
    if first.gain_db != second.gain_db:
        raise MeasurementError(
            f"the first was received at gain {_gain(first)} and the second at {_gain(second)}; the gain must stay"
        )
    if not _same(first.frequency_hz, second.frequency_hz):
        raise MeasurementError(f"the first lies on {first.place}, the second on {second.place}; key the same channel")


def _gain(keyed: Keyed) -> str:
    return "unknown" if keyed.gain_db is None else f"{keyed.gain_db:g} dB"


def _difference(high: Measured, low: Measured) -> Measured:
    repeated = Term.normal("repeatability of the set", REPEATABILITY_DB)
    return Measured(high.value - low.value, "dB", (*high.terms, *low.terms, repeated))


def _limit(quantity: str, low: float, high: float = math.inf) -> Limit:
    return Limit(quantity, quantity, "dB", _PRACTICE, Standing.SERVICE_ADVICE, Mark.PRACTICE, low=low, high=high)


def lines(finding: PathFinding) -> Iterable[str]:
    """The finding as plain lines: verdict, sentence, what follows."""
    yield f"{finding.quantity}: {finding.verdict or 'cannot be told'}"
    yield finding.sentence
    yield from finding.follows
