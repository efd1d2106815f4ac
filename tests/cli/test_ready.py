"""`sdrcheck ready`: every finding with its remedy, on a computer with nothing and with the stand-in driver."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from sdrcheck.cli import ready
from sdrcheck.cli.main import main
from sdrcheck.cli.ready import MISSING, NOTE, OK, Finding
from sdrcheck.errors import SourceError
from sdrcheck.receiver import level_store, reference_store
from sdrcheck.receiver.attenuation import parse_chain
from sdrcheck.receiver.level import LevelReference
from sdrcheck.receiver.reference import FrequencyReference
from tests.sources import conftest as receivers

ramp, stand_in, stand_in_library = receivers.ramp, receivers.stand_in, receivers.stand_in_library
"""Fixtures; pytest finds them by these names."""
StandIn = Callable[..., Path]


@pytest.fixture(autouse=True)
def only_what_depends_on_the_dongle(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """The other parts have tests of their own below; loading Qt and decoding a call for each test would only cost."""
    if request.function is not test_everything_is_looked_at:
        for name in ("_sound", "_window", "_decoders"):
            monkeypatch.setattr(ready, name, lambda: iter(()))


def found(what: str, *arguments: object) -> list[Finding]:
    return [one for one in ready.findings(*arguments) if one.what.startswith(what)]  # type: ignore[arg-type]


def run(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as ended:
        main(["ready", *map(str, words)])
    printed = capsys.readouterr()
    return int(ended.value.code or 0), printed.out, printed.err


def test_a_computer_with_nothing_on_usb(capsys, stand_in: StandIn) -> None:
    stand_in(count=0)
    status, out, err = run(capsys)
    assert (status, err) == (1, "")
    assert "missing dongle: none answers on USB. To do: plug one in; on Linux allow your user" in out
    assert "note    frequency reference: no dongle was named, so none was looked for." in out


def test_a_dongle_that_works(capsys, stand_in: StandIn) -> None:
    stand_in(serials="EXAMPLE7")
    status, out, _ = run(capsys)
    assert status == 0
    assert "ok      dongle: dongle EXAMPLE7 (R820T) delivers samples." in out
    assert "missing frequency reference: none is stored for EXAMPLE7" in out
    assert "note    level reference: none is stored for EXAMPLE7; levels are relative (dBFS). To do: for levels" in out


@pytest.mark.parametrize(
    ("settings", "said", "remedy"),
    [
        ({"open": -3}, "dongle EXAMPLE7 may not be opened by this user", "udev rule"),
        ({"open": -6}, "held by another program or by the kernel's television driver", "unload dvb_usb_rtl28xxu"),
        ({"fault": "unplug", "at": 0}, "it was pulled out, or the driver gave up", "plug it in anew"),
    ],
)
def test_what_is_in_the_way_has_its_remedy(stand_in: StandIn, settings, said, remedy) -> None:
    stand_in(serials="EXAMPLE7", **settings)
    one = found("dongle")[-1]
    assert one.state == MISSING
    assert said in one.said
    assert remedy in one.remedy


def test_the_kernels_own_driver(stand_in: StandIn, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stand_in(serials="EXAMPLE7")
    monkeypatch.setattr(ready, "_KERNEL_DRIVER", tmp_path / "dvb_usb_rtl28xxu")
    assert not [one for one in found("dongle driver") if one.state == NOTE]
    (tmp_path / "dvb_usb_rtl28xxu").mkdir()
    (one,) = (one for one in found("dongle driver") if one.state == NOTE)
    assert "modprobe -r dvb_usb_rtl28xxu" in one.remedy


def test_nothing_is_wanting_without_its_remedy(stand_in: StandIn, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a computer where everything is wrong at once, one thing after the other."""
    monkeypatch.setattr("sdrcheck.recordings.utc.host_utc_error_s", lambda: None)
    monkeypatch.setattr("shutil.disk_usage", lambda folder: (1, 1, 1))
    for settings in ({"count": 0}, {"open": -3}, {"open": -6}, {"count": 2, "serials": "A7,A7"}, {"serials": "A7"}):
        stand_in(**settings)
        wanting = [one for one in ready.findings(None, None, 0.1) if one.state != OK]
        assert wanting
        assert all(one.remedy for one in wanting), wanting


def test_several_dongles(stand_in: StandIn) -> None:
    stand_in(count=2, serials="A7,B8")
    (one,) = found("dongle")[1:]
    assert (one.state, one.said) == (OK, "on USB: A7, B8")
    assert one.remedy == "name one with --serial SERIAL, in the window as the source dongle:SERIAL"
    assert found("dongle", "B8")[-1].said == "dongle B8 (R820T) delivers samples"
    absent = found("dongle", "C9")[-1]
    assert (absent.state, absent.said) == (MISSING, "no dongle has the serial number C9 (found: A7, B8)")
    stand_in(count=2, serials="A7,A7")
    assert any(one.state == NOTE and "the same serial" in one.said for one in found("dongle"))


def test_the_driver_does_not_load(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse() -> list[str]:
        raise SourceError("the driver for dongles cannot be loaded (no file); install it anew: pip install …")

    monkeypatch.setattr("sdrcheck.sources.dongle.attached", refuse)
    (one,) = found("dongle")
    assert (one.what, one.state) == ("dongle driver", MISSING)
    assert (one.said, one.remedy) == (
        "the driver for dongles cannot be loaded (no file)",
        "install it anew: pip install …",
    )


def test_lost_samples_by_the_chips_own_counter(capsys, stand_in: StandIn) -> None:
    """The stand-in counts as the chip does in its test mode; "short" swallows a part of one buffer."""
    stand_in(serials="EXAMPLE7")
    status, out, _ = run(capsys, "--counter", "0.3")
    assert status == 0
    assert "ok      lost samples: 0." in out
    assert "million samples counted at 2.4 MS/s, none lost." in out
    stand_in(serials="EXAMPLE7", fault="short", at=3)
    (one,) = found("lost samples", None, None, 0.3)
    assert one.state == NOTE
    assert one.said.endswith("some were lost once")
    assert "another USB socket" in one.remedy
    assert found("lost samples") == []


def test_references_of_the_dongle(stand_in: StandIn) -> None:
    stand_in(serials="EXAMPLE7")
    taken = datetime.now(UTC) - timedelta(hours=2)
    reference_store.keep("EXAMPLE7", FrequencyReference(2.7, 0.1, "calibrated counter", "counter", taken, "tcxo"))
    level_store.keep(
        "EXAMPLE7", LevelReference(51.9, (), 8.7, 156.8e6, taken, "wattmeter ±5 %: 22.5 W", parse_chain("40dB/100W"))
    )
    (frequency,) = found("frequency reference")
    assert frequency.state == NOTE
    assert frequency.said.startswith("+2.70 ± ")
    assert "calibrated counter; 2 h old, drift" in frequency.said
    assert frequency.remedy == "compare it with the counter again before the job, and after it"
    now = datetime.now(UTC)
    reference_store.keep("EXAMPLE7", FrequencyReference(2.7, 0.1, "calibrated counter", "counter", now, "tcxo"))
    (frequency,) = found("frequency reference")
    assert (frequency.state, frequency.remedy) == (OK, "")
    (level,) = found("level reference")
    assert (level.state, level.said.startswith("wattmeter ±5 %: 22.5 W, ")) == (OK, True)


def test_disk_and_clock(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (disk,) = found("disk", None, tmp_path)
    assert disk.state in (OK, NOTE)
    assert f"free in {tmp_path}" in disk.said
    with monkeypatch.context() as forbidden:
        forbidden.setattr("os.access", lambda folder, kind: False)
        (disk,) = found("disk", None, tmp_path)
        assert (disk.state, disk.said) == (MISSING, f"{tmp_path} may not be written by you")
    monkeypatch.setattr("sdrcheck.recordings.utc.host_utc_error_s", lambda: 0.012)
    assert found("clock")[0].said == "UTC within 0.012 s, as the operating system estimates it"
    monkeypatch.setattr("sdrcheck.recordings.utc.host_utc_error_s", lambda: None)
    assert found("clock")[0].remedy.startswith("compare it with the ship's UTC display")


def test_a_folder_that_is_not_there(capsys, tmp_path: Path) -> None:
    status, out, err = run(capsys, "--into", tmp_path / "absent")
    assert (status, out) == (1, "")
    assert err == f"sdrcheck: {tmp_path / 'absent'} is no folder; make it, or name another\n"


def test_a_check_that_breaks_is_a_finding_too(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken() -> list[str]:
        raise RuntimeError("a driver's own trouble")

    monkeypatch.setattr("sdrcheck.sources.dongle.attached", broken)
    assert found("dongle")[0].said == "could not be looked at (RuntimeError: a driver's own trouble)"
    assert found("dongle")[0].remedy
    assert found("disk")


def test_everything_is_looked_at(stand_in: StandIn) -> None:
    stand_in(count=0)
    every = list(ready.findings())
    assert {"dongle", "frequency reference", "window", "disk", "clock", "decoders"} <= {one.what for one in every}
    (decoders,) = (one for one in every if one.what == "decoders")
    assert (decoders.state, decoders.said) == (OK, "a composed test call was read to its last symbol")


def test_help(capsys) -> None:
    status, out, _ = run(capsys, "--help")
    assert status == 0
    assert "each finding with its remedy" in out
