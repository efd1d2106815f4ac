"""Losses found by the clock, on arrivals made up to the microsecond; no waiting, no real clock."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from sdrcheck.sources.sample_clock import Missing, SampleClock

RATE_HZ, BLOCK = 1_024_000.0, 16_384


def arrivals(seconds: float, error: float = 0.0, jitter_s: float = 0.005, seed: int = 1) -> Iterator[tuple[int, float]]:
    """Blocks as a computer sees them: each late by something between nothing and `jitter_s`."""
    random = np.random.default_rng(seed)
    for number in range(int(seconds * RATE_HZ / BLOCK)):
        yield number, 7.0 + (number + 1) * BLOCK / RATE_HZ / (1 + error) + random.exponential(jitter_s)


def found_by(
    clock: SampleClock, came: Iterator[tuple[int, float]], gone: range = range(0)
) -> list[tuple[int, Missing]]:
    found = []
    for number, at in came:
        if number not in gone and (missing := clock.arrived(BLOCK, at)):
            found.append((number, missing))
    return found


@pytest.mark.parametrize("error", [-100e-6, 0.0, 100e-6])
@pytest.mark.parametrize("seed", range(5))
def test_nothing_is_missed_where_nothing_is_lost(error: float, seed: int) -> None:
    assert found_by(SampleClock(RATE_HZ), arrivals(600, error, seed=seed)) == []


@pytest.mark.parametrize("blocks", [3, 10, 200])
def test_a_loss_is_found_with_its_size_and_place(blocks: int) -> None:
    gone = range(1000, 1000 + blocks)
    found = found_by(SampleClock(RATE_HZ), arrivals(60, jitter_s=0.002), gone)
    assert len(found) == 1
    number, missing = found[0]
    assert missing.count == pytest.approx(blocks * BLOCK, abs=0.005 * RATE_HZ)
    before_it = (number - gone.stop) * BLOCK  # samples that came between the loss and the block that tells of it
    assert before_it <= missing.within <= before_it + 2.1 * RATE_HZ
    assert before_it <= SampleClock(RATE_HZ).told_late_s * RATE_HZ


@pytest.mark.parametrize("stall_at_s", [0.5, 2.0, 3.5, 7.3])
@pytest.mark.parametrize("window_s", [1.0, 3.0])
def test_a_pause_that_is_not_made_up_for_is_a_loss(stall_at_s: float, window_s: float) -> None:
    """A server stands still for 1.5 s, and then goes on where it was, as fast as the air and no faster."""
    clock = SampleClock(RATE_HZ, window_s=window_s)
    late = ((number, at + 1.5 if at - 7 > stall_at_s else at) for number, at in arrivals(30, jitter_s=0.002))
    ((number, missing),) = found_by(clock, late)
    assert missing.count == pytest.approx(1.5 * RATE_HZ, abs=0.01 * RATE_HZ)
    since = number * BLOCK - stall_at_s * RATE_HZ
    assert since - BLOCK <= missing.within
    assert since <= clock.told_late_s * RATE_HZ


def test_small_losses_add_up_until_they_show() -> None:
    """One block in a hundred: 1 % is far beyond any clock, though each loss alone hides in the jitter."""
    clock = SampleClock(RATE_HZ)
    lost = 0
    for number, at in arrivals(60, jitter_s=0.002):
        if number % 100 != 50 and (missing := clock.arrived(BLOCK, at)):
            lost += missing.count
    true = sum(number % 100 == 50 for number, _ in arrivals(60)) * BLOCK
    assert lost == pytest.approx(true, abs=0.03 * RATE_HZ)


def test_a_delay_that_is_made_up_for_is_no_loss() -> None:
    late = ((number, max(at, 27.6) if 27.0 < at < 27.6 else at) for number, at in arrivals(60))
    assert found_by(SampleClock(RATE_HZ), late) == []


def caught_up(since_s: float, until_s: float, faster: float, slower: float = 0.0) -> Iterator[tuple[int, float]]:
    """What a network does: from `since_s` on it carries `slower` times what comes, then `faster` times until all is in.

    The times are those of the arrivals; nothing is lost.
    """
    free = 0.0
    for number, at in arrivals(120, jitter_s=0.002):
        share = slower if since_s <= free < until_s else faster
        free = max(at, free + BLOCK / RATE_HZ / share if share else until_s)
        yield number, free


@pytest.mark.parametrize(("stall_s", "faster"), [(2.0, 1.1), (4.0, 1.3), (4.9, 1.05), (4.9, 5.0)])
def test_a_delay_longer_than_the_window_is_no_loss_where_it_is_made_up_for(stall_s: float, faster: float) -> None:
    assert found_by(SampleClock(RATE_HZ), caught_up(27.0, 27.0 + stall_s, faster)) == []


def test_what_is_lost_with_a_delay_is_told_when_the_rest_is_in() -> None:
    """50 blocks, 0.8 s, are lost in a delay of 3 s."""
    gone = range(1250, 1300)
    found = found_by(SampleClock(RATE_HZ), caught_up(27.0, 30.0, 1.3), gone)
    assert sum(missing.count for _, missing in found) == pytest.approx(50 * BLOCK, abs=0.01 * RATE_HZ)
    number, missing = found[0]
    assert (number - gone.stop) * BLOCK <= missing.within


def test_samples_told_as_missing_that_come_after_all_are_taken_back() -> None:
    """For 8 s half of what comes is carried: nobody can know then that the rest is on its way."""
    counts = [missing.count for _, missing in found_by(SampleClock(RATE_HZ), caught_up(27.0, 35.0, 2.0, slower=0.5))]
    assert sum(count for count in counts if count > 0) > RATE_HZ
    assert counts[-1] < 0
    assert sum(counts) == pytest.approx(0, abs=0.03 * RATE_HZ)


def test_a_known_loss_is_not_missed_again() -> None:
    clock = SampleClock(RATE_HZ)
    for number, at in arrivals(30):
        if 500 <= number < 520:
            continue
        if number == 520:
            clock.known(20 * BLOCK)
        assert clock.arrived(BLOCK, at) is None
