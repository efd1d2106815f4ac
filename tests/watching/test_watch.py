"""The watch keeps what it was asked to keep, lets go of what is not ours, and writes down every hole."""

from __future__ import annotations

import errno
import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import msgspec
import numpy as np
import pytest

from sdrcheck.bench import Settings, collect, run
from sdrcheck.errors import SourceError, SourceLost
from sdrcheck.evidence.masking import HIDDEN
from sdrcheck.findings.inspection import Inspection
from sdrcheck.receiver.reference import FrequencyReference
from sdrcheck.recordings.recording import open_recording
from sdrcheck.recordings.sigmf import write
from sdrcheck.recordings.utc import utc_moment
from sdrcheck.sources.recording import RecordingSource
from sdrcheck.sources.source import IqBlock, IqSource
from sdrcheck.sources.synthetic import Synthetic
from sdrcheck.watching import journal
from sdrcheck.watching.memory import Keeping
from sdrcheck.watching.policy import Policy, masked
from sdrcheck.watching.watch import Watch, Watched
from tests.conftest import REPOSITORY

ANSWERED = REPOSITORY / "captures" / "test-call-answered-CLOSED-CABLE-ONLY.sigmf-meta"
VOICE = REPOSITORY / "captures" / "voice-72.sigmf-meta"
SHIP = frozenset({"211999990"})  # invented


def watched(
    tmp_path: Path, policy: Policy, recording: Path = ANSWERED, reopen: Callable[[], IqSource] | None = None
) -> list[Watched]:
    watch = Watch(tmp_path, Settings(), policy)
    return list(watch.run(RecordingSource(recording), reopen))


def events(lines: list[Watched]) -> list[str]:
    return [one.line.event for one in lines]


def test_each_kept_call_is_a_recording_with_the_same_inspection_as_the_whole(tmp_path: Path) -> None:
    lines = watched(tmp_path, Policy(own=SHIP))
    assert events(lines) == ["started", "kept", "kept", "ended"]
    whole = collect(run(RecordingSource(ANSWERED)))
    for name, found in zip(journal.kept_names(tmp_path), whole.transmissions, strict=True):
        kept = Inspection.from_json((tmp_path / (name + journal.INSPECTION)).read_bytes())
        (one,) = kept.transmissions
        again = collect(run(RecordingSource(tmp_path / (name + ".sigmf-meta")))).transmissions
        assert kept.recording.sha512 is not None
        assert one.calls[0].symbols == found.calls[0].symbols
        assert one.start_s == pytest.approx(again[-1].start_s, abs=0.002)  # on the kept recording's own time axis
        assert one.reading("carrier offset") == found.reading("carrier offset")


def test_calls_between_other_stations_are_masked_and_let_go(tmp_path: Path) -> None:
    lines = watched(tmp_path, Policy(own=frozenset({"219000000"})))
    assert events(lines) == ["started", "heard", "heard", "ended"]
    assert journal.kept_names(tmp_path) == []
    text = (tmp_path / journal.JOURNAL).read_text()
    assert "211999990" not in text
    assert "211xxxxxx" in text


def test_others_are_kept_only_when_asked(tmp_path: Path) -> None:
    assert events(watched(tmp_path, Policy(others=True))).count("kept") == 2


@pytest.mark.parametrize(("only", "kept"), [("calls", 0), ("voice", 2), ("messages", 0), (None, 2)])
def test_only_the_kinds_asked_for_are_kept(tmp_path: Path, only: str | None, kept: int) -> None:
    assert events(watched(tmp_path, Policy(only=only), VOICE)).count("kept") == kept


def test_a_source_that_comes_back_leaves_a_hole_with_its_size(tmp_path: Path) -> None:
    class Failing:
        """Loses the source after a while, as a pulled cable does."""

        def __init__(self) -> None:
            self._inside = RecordingSource(ANSWERED)
            self.facts = self._inside.facts

        def blocks(self):  # type: ignore[no-untyped-def]
            yield next(iter(self._inside.blocks()))
            raise SourceLost("the dongle stopped answering; plug it in again")

        def close(self) -> None:
            self._inside.close()

    tries = iter([SourceError("no receiver dongle answered"), RecordingSource(ANSWERED)])

    def reopen() -> IqSource:
        one = next(tries, None)
        if one is None:
            raise KeyboardInterrupt
        if isinstance(one, Exception):
            raise one
        return one

    watch = Watch(tmp_path, Settings(), Policy(own=SHIP), waits_s=(0.01,))
    lines: list[Watched] = []
    with pytest.raises(KeyboardInterrupt):
        lines.extend(watch.run(Failing(), reopen))
    said = [line.event for line in journal.lines(tmp_path)]
    assert "hole" in said
    assert said.count("kept") == 3  # the call before the loss, and both after the return
    assert any("stopped answering" in line.sentence for line in journal.lines(tmp_path))
    (hole_s,) = (line.seconds for line in journal.lines(tmp_path) if line.event == "hole")
    assert f"1 hole, {hole_s:.0f} s in all" in journal.daily_summary(tmp_path)


def test_a_hole_begins_with_the_last_sample_and_not_when_the_silence_was_noticed(tmp_path: Path) -> None:
    class FallingSilent(Synthetic):
        def blocks(self) -> Iterator[IqBlock]:
            yield next(super().blocks())
            time.sleep(0.3)
            raise SourceLost("dongle X sends no samples any more; plug it in anew, then start again")

    silent = FallingSilent(np.zeros(48_000, complex), 48_000, 156.525e6)
    rest = [RecordingSource(ANSWERED)]
    watch = Watch(tmp_path, Settings(), Policy(own=SHIP), waits_s=(0.01,))
    with pytest.raises(IndexError):  # once it is back, and then there is no more
        list(watch.run(silent, rest.pop))
    lines = list(journal.lines(tmp_path))
    (hole,) = (line for line in lines if line.event == "hole")
    assert hole.seconds is not None
    assert hole.seconds >= 0.3
    (lost,) = (line for line in lines if "sends no samples" in line.sentence)
    assert lost.sentence.endswith("plug it in anew; the watch waits for it.")


def test_the_reference_is_written_down_as_good_as_it_was_at_the_keying(tmp_path: Path) -> None:
    """A plain crystal, compared half a day before: about 3.5 ppm of drift are allowed (common practice)."""
    start_utc = open_recording(ANSWERED).start_utc
    assert start_utc is not None
    taken = FrequencyReference.of_terms(
        0.0,
        (),
        "counter",
        method="counter",
        taken_utc=utc_moment(start_utc) - timedelta(hours=12),
        oscillator="crystal",
    )
    list(Watch(tmp_path, Settings(reference=taken), Policy(own=SHIP)).run(RecordingSource(ANSWERED)))
    name = journal.kept_names(tmp_path)[0]
    written = open_recording(tmp_path / name).facts.reference_uncertainty_ppm
    inspected = Inspection.from_json((tmp_path / (name + journal.INSPECTION)).read_bytes()).reference
    assert written == pytest.approx(2 * 3.5 / 3**0.5, rel=0.02)
    assert inspected.uncertainty_ppm == pytest.approx(written, rel=1e-4)


def test_a_keying_longer_than_half_the_memory_is_kept_whole(tmp_path: Path) -> None:
    rate = 60_000
    times = np.arange(9 * rate) / rate
    keyed = (times > 1) & (times < 8)
    noise = np.random.default_rng(5).normal(0, 0.001, (times.size, 2)).view(np.complex128)[:, 0]
    tone = 0.3 * keyed * np.exp(1j * (2 * np.pi * 10_000 * times + 3 * np.sin(2 * np.pi * 1000 * times)))
    source = Synthetic(tone + noise, rate, 156.615e6, "ci16_le", block_samples=3000)
    lines = list(Watch(tmp_path, Settings(), Policy(), memory_s=4.0).run(source))
    assert events(lines) == ["started", "kept", "ended"]
    (name,) = journal.kept_names(tmp_path)
    kept = Inspection.from_json((tmp_path / (name + journal.INSPECTION)).read_bytes())
    (one,) = kept.transmissions
    assert one.duration_s == pytest.approx(7.0, abs=0.01)
    assert 0 <= one.start_s <= 2.1
    assert one.start_s + one.duration_s <= kept.recording.duration_s


def test_a_full_disk_loses_the_recording_and_never_the_watch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sdrcheck.watching.watch.LEAST_FREE_BYTES", 10**18)
    lines = watched(tmp_path, Policy(own=SHIP))
    assert events(lines) == ["started", "trouble", "trouble", "trouble", "ended"]
    assert lines[1].line.sentence.startswith("Nothing more is kept for now: only ")
    assert all("test" in one.line.sentence and "free some space" in one.line.sentence for one in lines[2:4])
    assert journal.kept_names(tmp_path) == []


def test_oldest_unmarked_go_first_and_marked_never(tmp_path: Path) -> None:
    watched(tmp_path, Policy(own=SHIP))
    watched(tmp_path, Policy(others=True), VOICE)
    names = journal.kept_names(tmp_path)
    assert len(names) == 4
    voice = [name for name in names if "voice" in name]
    journal.mark(tmp_path, voice[0])
    removed = list(journal.make_room(tmp_path, 1))
    assert voice[0] not in removed
    assert removed == [name for name in names if name != voice[0]]
    with pytest.raises(SourceError, match="keeps nothing named"):
        journal.mark(tmp_path, "nothing")


def test_only_what_the_watch_kept_makes_room(tmp_path: Path) -> None:
    """Somebody's own recording in the folder stays, and so does the recording of everything."""
    own = write(tmp_path / "20200101T000000.0Z-mine", np.zeros(1000, complex), "cu8", 48_000, 156.525e6)
    policy = Policy(own=SHIP, budget_bytes=1)
    lines = list(Watch(tmp_path, Settings(), policy, record=tmp_path / "whole").run(RecordingSource(ANSWERED)))
    assert events(lines).count("removed") == 2
    removed = [one.line.kept for one in lines if one.line.event == "removed"]
    assert removed == [one.line.kept for one in lines if one.line.event == "kept"]
    assert journal.kept_names(tmp_path) == []
    assert own.exists()
    assert open_recording(tmp_path / "whole").sample_count == open_recording(ANSWERED).sample_count


def test_what_is_recorded_of_everything_is_not_begun_again_when_the_source_is_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The source may be read to its end, and recorded, long before the engine has worked through it."""
    start = Keeping.start

    def start_and_end(keeping: Keeping) -> None:
        start(keeping)
        while not keeping.finished:
            time.sleep(0.01)

    monkeypatch.setattr(Keeping, "start", start_and_end)
    list(Watch(tmp_path / "w", Settings(), Policy(), record=tmp_path / "whole").run(RecordingSource(ANSWERED)))
    assert [path.name for path in tmp_path.glob("*.sigmf-meta")] == ["whole.sigmf-meta"]


def test_what_cannot_be_removed_is_told_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(path: Path, missing_ok: bool = False) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "unlink", refuse)
    lines = watched(tmp_path, Policy(own=SHIP, budget_bytes=1))
    assert events(lines).count("kept") == 2
    (told,) = (one.line.sentence for one in lines if one.line.event == "trouble")
    assert told == (
        f"The disk budget is not kept to: {tmp_path / journal.kept_names(tmp_path)[0]} cannot be removed "
        "(Permission denied)."
    )


def test_however_many_are_kept_at_once_each_is_inspected(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sdrcheck.watching.watch._LATEST", 1)
    watched(tmp_path, Policy(own=SHIP))
    assert len(journal.kept_names(tmp_path)) == len(list(tmp_path.glob("*" + journal.INSPECTION))) == 2


def test_an_inspection_is_there_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk is full while it is written anew: the one before stays."""
    (tmp_path / "x.inspection.json").write_bytes(b"before")

    def full(path: Path, data: bytes) -> int:
        path.touch()
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OSError, match="No space left"):
        journal.write_whole(tmp_path / "x.inspection.json", b"after")
    assert [path.name for path in tmp_path.iterdir()] == ["x.inspection.json"]
    assert (tmp_path / "x.inspection.json").read_bytes() == b"before"


def test_a_journal_cut_off_in_mid_line_is_still_read(tmp_path: Path) -> None:
    watched(tmp_path, Policy(own=SHIP))
    path = tmp_path / journal.JOURNAL
    path.write_bytes(path.read_bytes()[:-20])
    assert [line.event for line in journal.lines(tmp_path)] == ["started", "kept", "kept"]


def test_a_spoilt_line_of_a_journal_is_passed_over(tmp_path: Path) -> None:
    watched(tmp_path, Policy(own=SHIP))
    with (tmp_path / journal.JOURNAL).open("ab") as file:
        file.write(b'{"utc":"2026-03-14T23:59:59Z","event":"heard","sentence":"\xff"}\n')
    assert [line.event for line in journal.lines(tmp_path)] == ["started", "kept", "kept", "ended"]


def test_a_strangers_broken_call_is_kept_and_its_identity_masked(tmp_path: Path) -> None:
    """It may have been ours; `sdrcheck inspect` of the recording still shows all of it."""
    (found,) = collect(run(RecordingSource(ANSWERED))).transmissions[:1]
    broken = msgspec.structs.replace(found.calls[0], error_check="failed")
    both = msgspec.structs.replace(found, calls=(broken, msgspec.structs.replace(broken, self_id="219111111")))
    policy = Policy(own=SHIP)
    assert policy.wants(both)
    ours, theirs = policy.shown(both).calls
    assert ours == broken
    assert theirs.self_id == HIDDEN
    assert theirs.symbols == ()
    assert Policy(others=True).shown(both) == both


def test_masking_leaves_the_country_only() -> None:
    assert masked("211999990") == "211xxxxxx"
