"""The channel plan against the published tables and the numbering rule."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from sdrcheck.channels import plan, vhf
from sdrcheck.channels.channel import Emission, Leg, Mark
from sdrcheck.cli.channels import command

PUBLISHED = Path(__file__).parent.parent / "published"


def published(name: str) -> list[dict[str, str]]:
    lines = (PUBLISHED / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def hertz(mhz: str) -> int:
    return round(float(mhz) * 1e6)


@pytest.mark.parametrize("row", published("appendix18.csv"), ids=lambda row: row["channel"])
def test_vhf_rows_are_as_published(row: dict[str, str]) -> None:
    named = [channel for channel in plan.ROWS if channel.name == row["channel"]]
    if row["mode"] == "duplex":
        legs = {channel.leg: channel.frequency_hz for channel in named}
        assert legs == {Leg.SHIP: hertz(row["ship_mhz"]), Leg.COAST: hertz(row["coast_mhz"])}
    else:
        assert [channel.frequency_hz for channel in named] == [hertz(row["ship_mhz"])]
        assert named[0].leg is None
    assert {channel.mark for channel in named} == {Mark(row["mark"])}


def test_no_vhf_row_is_missing_or_invented() -> None:
    ours = {channel.name for channel in (*vhf.SINGLE_FREQUENCY, *vhf.TWO_FREQUENCY, *vhf.NATIONAL)}
    assert ours == {row["channel"] for row in published("appendix18.csv")}


@pytest.mark.parametrize("number", [*range(1, 29), *range(60, 89)])
def test_every_number_follows_the_rule(number: int) -> None:
    """RR Appendix 18's regularity; Rec. ITU-R M.1084 annex 4 for 10nn and 20nn (rule from memory)."""
    ship = 156_050_000 + 50_000 * (number - 1) if number < 60 else 156_025_000 + 50_000 * (number - 60)
    heard = plan.channel_at(ship)
    assert heard is not None
    assert heard.frequency_hz == ship
    two_digits = f"{number:02d}"
    assert two_digits in (heard.name, *heard.aliases)
    for channel in plan.find(f"10{two_digits}"):
        assert channel.frequency_hz == ship
    for channel in plan.find(f"20{two_digits}"):
        assert channel.frequency_hz == ship + 4_600_000


@pytest.mark.parametrize("row", published("distress-frequencies.csv"), ids=lambda row: row["khz"])
def test_distress_and_calling_frequencies_are_as_published(row: dict[str, str]) -> None:
    channel = plan.channel_at(float(row["khz"]) * 1e3)
    assert channel is not None
    assert channel.frequency_hz == float(row["khz"]) * 1e3
    assert channel.calling == ("DSC" in row["service"])
    assert channel.text == (row["service"].startswith(("NAVTEX", "HF MSI")))
    if row["khz"] not in ("161975", "162025"):
        assert channel.mark == Mark(row["mark"])
    if row["kind"] == "carrier":
        assert channel.emission is Emission.J3E


@pytest.mark.parametrize(
    ("frequency_hz", "name", "leg"),
    [
        (156.050e6, "01", Leg.SHIP),  # 1001 is no row of Appendix 18
        (160.650e6, "01", Leg.COAST),
        (156.925e6, "1078", None),  # 1078 is one
        (161.525e6, "2078", None),
        (156.300e6, "06", None),
        (157.100e6, "22", Leg.SHIP),
        (156.525e6 + 1400, "70", None),
        (161.975e6, "AIS 1", None),
        (2_183_000, "2182", None),  # a 1 kHz tone on upper sideband
        (2_187_590, "2187.5", None),
        (6_312_300, "6312.5", Leg.SHIP),
    ],
)
def test_a_frequency_has_one_name(frequency_hz: float, name: str, leg: Leg | None) -> None:
    channel = plan.channel_at(frequency_hz)
    assert channel is not None
    assert (channel.name, channel.leg) == (name, leg)


def test_off_the_plan_is_said_and_the_raster_given() -> None:
    assert plan.channel_at(155.0e6) is None
    assert plan.nearest(155.0e6).name == "60"
    assert plan.raster_hz(156.6301e6) == 156_625_000
    assert plan.raster_hz(2_187_700) == 2_187_500


def test_within_gives_each_frequency_once() -> None:
    found = plan.within(156.0e6, 162.1e6)
    assert len({channel.frequency_hz for channel in found}) == len(found)
    assert [channel.frequency_hz for channel in found] == sorted(channel.frequency_hz for channel in found)
    assert [channel.name for channel in plan.within(156.6e6, 156.65e6)] == ["12", "72", "13"]


def test_only_channel_70_calls_on_vhf() -> None:
    calling = [channel for channel in plan.within(156e6, 163e6) if channel.calling]
    assert [(channel.name, channel.emission) for channel in calling] == [("70", Emission.G2B)]


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("22A", ["1022"]),
        ("22a", ["1022"]),
        ("1001", ["1001"]),
        ("6", ["06"]),
        ("01", ["01", "01"]),
        ("ASM 1", ["2027"]),
        ("156.525", ["70"]),
        ("156.525 MHz", ["70"]),
        ("2187.5 kHz", ["2187.5"]),
        ("518k", ["518"]),
        ("bridge to bridge", ["67", "13"]),
        ("no such words", []),
    ],
)
def test_find(text: str, names: list[str]) -> None:
    assert [channel.name for channel in plan.find(text)] == names


@pytest.mark.parametrize(
    ("frequency_hz", "said"),
    [
        (156.050e6, "the ship leg of channel 01; where it is worked on a single frequency it is channel 1001"),
        (157.000e6, "channel 1020; where channel 20 is worked on two frequencies it is its ship leg"),
        (161.600e6, "channel 2020; where channel 20 is worked on two frequencies it is its coast station's leg"),
        (156.800e6, None),
    ],
)
def test_the_other_number_of_a_frequency_is_said(frequency_hz: float, said: str | None) -> None:
    """RR Appendix 18: 10nn is the ship's frequency of channel nn on its own, 20nn the coast station's."""
    remark = plan.other_number_remark(plan.nearest(frequency_hz))
    assert remark is None if said is None else remark is not None and said in remark


def test_command_lists_and_prints_json() -> None:
    shown = CliRunner().invoke(command, ["22A"])
    assert shown.exit_code == 0
    assert "157.100 MHz" in shown.output
    assert all(len(line) <= 80 for line in shown.output.splitlines())
    document = json.loads(CliRunner().invoke(command, ["--json", "70"]).output)
    assert document["channels"][0]["frequency_hz"] == 156_525_000
    nothing = CliRunner().invoke(command, ["156.63M"])
    assert nothing.exit_code == 0
    assert "nearest is 72" in nothing.output
