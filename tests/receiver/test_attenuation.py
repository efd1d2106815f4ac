"""Attenuator arithmetic against worked examples; safe, not safe, not sensible."""

from __future__ import annotations

import json
import math

import pytest
from click.testing import CliRunner

from sdrcheck.cli.attenuation import command
from sdrcheck.cli.main import main
from sdrcheck.errors import ReceiverError
from sdrcheck.receiver.attenuation import (
    GAINS_DB,
    Kind,
    Verdict,
    assess,
    dbm,
    pad_resistors,
    parse_chain,
    parse_power,
    tap_loss_db,
    volts_rms,
    watts,
    watts_text,
)


@pytest.mark.parametrize(
    ("power_w", "power_dbm", "rms", "peak"),
    [  # P = 10·log10(P/1 mW), V = √(50·P): worked by hand
        (1, 30.00, 7.07, 10.00),
        (6, 37.78, 17.32, 24.49),
        (8, 39.03, 20.00, 28.28),
        (25, 43.98, 35.36, 50.00),
        (60, 47.78, 54.77, 77.46),
        (150, 51.76, 86.60, 122.47),
        (400, 56.02, 141.42, 200.00),
        (1500, 61.76, 273.86, 387.30),
    ],
)
def test_power_table(power_w: float, power_dbm: float, rms: float, peak: float) -> None:
    assert round(dbm(power_w), 2) == power_dbm
    assert round(volts_rms(power_w), 2) == rms
    assert round(volts_rms(power_w) * math.sqrt(2), 2) == peak
    assert watts(dbm(power_w)) == pytest.approx(power_w)


@pytest.mark.parametrize(
    ("loss_db", "pi_shunt", "pi_series", "t_series", "t_shunt", "share"),
    [  # textbook formulae of π and T pads, worked by hand
        (6, 150.48, 37.35, 16.61, 66.93, 33.2),
        (10, 96.25, 71.15, 25.97, 35.14, 52.0),
        (20, 61.11, 247.50, 40.91, 10.10, 81.8),
        (30, 53.27, 789.78, 46.93, 3.165, 93.9),
        (40, 51.01, 2499.75, 49.01, 1.000, 98.0),
    ],
)
def test_pad_table(
    loss_db: float, pi_shunt: float, pi_series: float, t_series: float, t_shunt: float, share: float
) -> None:
    pad = pad_resistors(loss_db)
    assert pad.pi_shunt_ohm == pytest.approx(pi_shunt, abs=0.006)
    assert pad.pi_series_ohm == pytest.approx(pi_series, abs=0.006)
    assert pad.t_series_ohm == pytest.approx(t_series, abs=0.006)
    assert pad.t_shunt_ohm == pytest.approx(t_shunt, abs=0.006)
    assert pad.first_share * 100 == pytest.approx(share, abs=0.06)
    # the T pad, end on 50 Ω, is 50 Ω again: what every text on pads demands
    inner = 1 / (1 / pad.t_shunt_ohm + 1 / (pad.t_series_ohm + 50))
    assert pad.t_series_ohm + inner == pytest.approx(50)


@pytest.mark.parametrize(
    ("power_w", "chain", "at_dongle"),
    [
        (25, "40dB/100W,30dB/2W", -26.02),
        (25, "30dB/100W,30dB/2W", -16.02),
        (25, "40dB/100W,40dB/2W", -36.02),
        (1, "40dB/100W,30dB/2W", -40.00),
        (25, "coupler:40dB/100W,30dB/2W", -26.02),
        (400, "coupler:50dB/1kW,30dB/2W", -23.98),
        (400, "coupler:50dB/1kW,40dB/2W", -33.98),
    ],
)
def test_worked_chains(power_w: float, chain: str, at_dongle: float) -> None:
    assert round(assess(power_w, parse_chain(chain)).at_dongle_dbm, 2) == at_dongle


@pytest.mark.parametrize(
    ("ohm", "loss", "power_w", "heat", "out_dbm"),
    [(4700, 39.55, 25, 0.26, 4.42), (10_000, 46.06, 150, 0.74, 5.70), (22_000, 52.89, 400, 0.91, 3.13)],
)
def test_worked_resistive_taps(ohm: float, loss: float, power_w: float, heat: float, out_dbm: float) -> None:
    assert round(tap_loss_db(ohm), 2) == loss
    (stage,) = assess(power_w, parse_chain(f"tap:{ohm}/2W"), 2.182e6).stages
    assert stage.heat_w == pytest.approx(heat, abs=0.0051)
    assert dbm(stage.power_out_w) == pytest.approx(out_dbm, abs=0.0051)


@pytest.mark.parametrize(("ohm", "really"), [(4700, 35.9), (22_000, 38.1)])
def test_a_tap_is_refused_at_vhf_because_of_stray_capacitance(ohm: float, really: float) -> None:
    assert round(tap_loss_db(ohm, 156.8e6), 1) == really
    for frequency_hz in (156.8e6, None):
        with pytest.raises(ReceiverError, match=f"MF and HF only.*about {really}"):
            assess(25, parse_chain(f"tap:{ohm}/2W"), frequency_hz)


@pytest.mark.parametrize(
    ("power_w", "chain", "verdict", "reason"),
    [
        (25, "40dB/100W,30dB/2W", Verdict.SAFE, "reach the dongle"),
        (25, "40dB/50W,30dB", Verdict.SAFE, "reach the dongle"),
        (25, "40dB/49W,30dB", Verdict.NOT_SAFE, "rated 49 W, it needs 50 W"),
        (25, "40dB,30dB/2W", Verdict.NOT_SAFE, "not stated"),
        (25, "20dB/100W", Verdict.NOT_SAFE, "would reach the dongle"),
        (25, "30dB/100W,30dB/2W", Verdict.NOT_SENSIBLE, "overloaded"),
        (1, "60dB/10W,40dB/2W", Verdict.NOT_SENSIBLE, "faint"),
        (25, "coupler:40dB/25W,30dB", Verdict.SAFE, "reach the dongle"),
        (25, "coupler:40dB/10W,30dB", Verdict.NOT_SAFE, "needs 25 W"),
        (25, "cable:1.2dB,40dB/100W,30dB", Verdict.SAFE, "reach the dongle"),
    ],
)
def test_verdicts(power_w: float, chain: str, verdict: Verdict, reason: str) -> None:
    result = assess(power_w, parse_chain(chain))
    assert result.verdict is verdict
    assert any(reason in sentence for sentence in result.reasons)


def test_the_line_behind_a_coupler_needs_its_load() -> None:
    assert assess(25, parse_chain("coupler:40dB/100W,30dB")).load_w == 25
    assert assess(25, parse_chain("40dB/100W,30dB")).load_w is None


def test_gain_leaves_room_below_where_spurs_were_seen() -> None:
    result = assess(25, parse_chain("40dB/100W,30dB/2W"))
    assert result.gain_db in GAINS_DB
    assert result.gain_db <= 10  # low gain, as common practice for this level
    assert -30 <= result.expected_dbfs <= -3
    overloaded = assess(25, parse_chain("40dB/100W,30dB/2W"), gain_db=49.6)
    assert overloaded.verdict is Verdict.NOT_SENSIBLE


@pytest.mark.parametrize("gain_db", [-20.0, -0.1, 70.0])
def test_a_gain_that_no_tuner_has_is_refused(gain_db: float) -> None:
    with pytest.raises(ReceiverError, match=r"none of the tuner's; its steps go from 0 to 49\.6 dB"):
        assess(25, parse_chain("40dB/100W,30dB/2W"), gain_db=gain_db)


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("", "at least one element"),
        ("40", "given by its loss"),
        ("40,5dB/100W", "a comma begins the next element"),
        ("40dB/100X", "is no power"),
        ("fourty dB", "no element"),
        ("tap:40dB", "given by its resistor"),
        ("coupler:4.7k", "given by its loss"),
        ("0dB", "between 0.01 and 120 dB"),
        ("40dB/100W,,30dB", "no element"),
        ("40dB/0W", "is no power"),
    ],
)
def test_bad_chains_get_one_sentence(text: str, complaint: str) -> None:
    with pytest.raises(ReceiverError, match=complaint) as raised:
        parse_chain(text)
    assert "\n" not in str(raised.value)


def test_powers_as_people_write_them() -> None:
    assert [parse_power(text) for text in ("25W", "25", "500 mW", "1.5kW", "400W PEP")] == [25, 25, 0.5, 1500, 400]
    assert [watts_text(value) for value in (25, 1500, 0.0025, 2.5e-6, 1e-9)] == [
        "25 W",
        "1500 W",
        "2.5 mW",
        "2.5 µW",
        "1 nW",
    ]
    assert parse_chain("4dB")[0].kind is Kind.PAD


def test_command_shows_the_arithmetic_the_verdict_and_the_cautions() -> None:
    runner = CliRunner()
    shown = runner.invoke(command, ["--power", "25W", "--chain", "40dB/100W,30dB/2W"])
    assert shown.exit_code == 0
    for piece in (
        "43.98 - 70.00 = -26.02 dBm",
        "-60 to -20 dBm will do",
        "SAFE",
        "24.5 W (98.0%",
        "Never send a distress alert",
    ):
        assert piece in " ".join(shown.output.split())
    assert all(len(line.rstrip()) <= 80 for line in shown.output.splitlines())
    document = json.loads(runner.invoke(command, ["--power", "25W", "--chain", "20dB/1W", "--json"]).output)
    assert document["verdict"] == "not safe"
    assert len(document["reasons"]) == 2
    strict = runner.invoke(command, ["--power", "25W", "--chain", "20dB/1W", "--strict"], standalone_mode=False)
    assert strict.return_value == 3


@pytest.mark.parametrize(
    ("arguments", "status"),
    [
        (["--power", "25W", "--chain", "40dB/100W,30dB/2W"], 0),
        (["--power", "25W", "--chain", "20dB/1W"], 0),  # whatever the verdict says
        (["--power", "lots", "--chain", "40dB"], 2),
        (["--power", "25W", "--chain", "rope"], 2),
        (["--power", "25W", "--chain", "tap:4.7k"], 1),  # refused: it cannot be used at VHF
        (["--chain", "40dB"], 2),
    ],
)
def test_exit_status(arguments: list[str], status: int, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["attenuation", *arguments])
    assert left.value.code == status
    complaint = capsys.readouterr().err
    assert complaint.count("\n") == (1 if status else 0)
