"""The limits against the published figures, and the rules of which one judges."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import pytest
from click.testing import CliRunner

from sdrcheck.channels import plan
from sdrcheck.channels.channel import Mark
from sdrcheck.cli.limits import command
from sdrcheck.limits.limit import Declared, Limit, Standing
from sdrcheck.limits.sets import LIMIT_SETS, applicable, choose, every_limit

PUBLISHED = Path(__file__).parent.parent / "published" / "limits.csv"

CHANNEL_16 = plan.nearest(156.8e6)
CHANNEL_70 = plan.nearest(156.525e6)
CHANNEL_72 = plan.nearest(156.625e6)
MF_CALLING = plan.nearest(2187.5e3)
VOICE_2182 = plan.nearest(2182e3)


def published() -> list[dict[str, str]]:
    lines = PUBLISHED.read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@pytest.mark.parametrize("row", published(), ids=lambda row: f"{row['id']} {row['quantity']}")
def test_limit_is_as_published(row: dict[str, str]) -> None:
    limit = next(x for x in every_limit() if (x.id, x.quantity) == (row["id"], row["quantity"]))

    def bound(text: str, none: float) -> float:
        if not text:
            return none
        return 10 * math.log10(float(text) * 1000) if row["unit"] == "W" else float(text)

    assert limit.low == pytest.approx(bound(row["low"], -math.inf), abs=0.005 if row["unit"] == "W" else 1e-9)
    assert limit.high == pytest.approx(bound(row["high"], math.inf), abs=0.005 if row["unit"] == "W" else 1e-9)
    assert limit.unit == ("dBm" if row["unit"] == "W" else row["unit"])
    assert limit.mark == Mark(row["mark"])


def test_no_limit_stands_outside_the_published_table() -> None:
    assert {(limit.id, limit.quantity) for limit in every_limit()} == {(r["id"], r["quantity"]) for r in published()}


def chosen(quantity: str, **given: object) -> Limit | None:
    """The choice for a bare carrier on channel 16, with whatever differs."""
    settings: dict[str, object] = {
        "set_name": "marine",
        "emission": "N0N",
        "condition": "unmodulated",
        "channel": CHANNEL_16,
        "tone_source": None,
    }
    return choose(quantity=quantity, **(settings | given))  # type: ignore[arg-type]


def test_the_regulation_heads_and_the_type_test_stays_visible() -> None:
    found = applicable("marine", "carrier offset", "N0N", "unmodulated", CHANNEL_16, None)
    assert [(limit.id, limit.standing) for limit in found] == [
        ("V02", Standing.SURVEY_ITEM),
        ("V01", Standing.TYPE_TEST),
    ]
    assert found[0].high == pytest.approx(1568.0)  # 10 millionths of 156.8 MHz, as the fact sheet's row V02 prints
    assert choose("marine", "carrier offset", "G2B", "call", CHANNEL_70, None).high == pytest.approx(1565.25)  # type: ignore[union-attr]
    first = applicable("type-test", "carrier offset", "N0N", "unmodulated", CHANNEL_16, None)[0]
    assert (first.id, first.high) == ("V01", 1500.0)
    assert chosen("carrier offset, relative", set_name="type-test").high == pytest.approx(1500 / 156.8)  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("quantity", "given", "expected"),
    [
        ("residual modulation", {}, "V24"),
        ("residual modulation", {"emission": "G3E", "condition": "one tone"}, None),  # only with the modulation off
        ("residual modulation", {"set_name": "regulation"}, None),  # a type-test figure
        ("sinad", {"emission": "G3E", "condition": "one tone"}, None),  # tone source not declared
        ("sinad", {"emission": "G3E", "condition": "one tone", "tone_source": "acoustic"}, None),
        ("sinad", {"emission": "G3E", "condition": "one tone", "tone_source": "electrical"}, "V22, advice"),
        (
            "sinad",
            {"set_name": "japan", "emission": "G3E", "condition": "one tone", "tone_source": "electrical"},
            "V23",
        ),
        ("peak deviation, up", {"emission": "G3E", "condition": "speech"}, "V11"),
        ("peak deviation, up", {}, None),
        (
            "peak deviation, down",
            {"emission": "G3E", "condition": "one tone", "declared": [Declared.SOUND_LEVEL]},
            "V25",
        ),
        ("peak deviation, up", {"set_name": "narrow", "emission": "G3E", "condition": "one tone"}, "V12"),
        ("tone B", {"emission": "G2B", "condition": "call", "channel": CHANNEL_70}, "D02, B"),
        ("modulation index, Y", {"emission": "G2B", "condition": "call", "channel": CHANNEL_70}, "D04, Y"),
        ("modulation rate error", {"emission": "G2B", "condition": "call", "channel": CHANNEL_70}, "D06, relative"),
        ("carrier offset", {"emission": "F1B", "condition": "call", "channel": MF_CALLING}, "F01"),
        ("line B offset", {"emission": "F1B", "condition": "call", "channel": MF_CALLING}, "F07, B"),
        ("modulation rate", {"emission": "F1B", "condition": "call", "channel": MF_CALLING}, "F08"),
        ("shift", {"emission": "F1B", "condition": "call", "channel": MF_CALLING}, "F06"),
        ("shift", {"set_name": "japan", "emission": "F1B", "condition": "call", "channel": MF_CALLING}, "F06, Japan"),
        ("carrier offset", {"channel": VOICE_2182}, "F01"),  # the bare carrier of a telephony set
        ("carrier offset", {"set_name": "usa", "channel": VOICE_2182}, "F05"),
        ("carrier suppression", {"emission": "J3E", "condition": "two tones", "channel": VOICE_2182}, "F17"),
        ("two-tone product, third", {"emission": "J3E", "condition": "two tones", "channel": VOICE_2182}, None),
        (
            "two-tone product, third",
            {"emission": "J3E", "condition": "two tones", "channel": VOICE_2182, "tone_source": "electrical"},
            "F21, third",
        ),
        ("level at the set", {}, "V05, ceiling"),
        ("level at the set", {"declared": [Declared.HIGH_POWER]}, "V05"),
        ("level at the set", {"set_name": "usa", "declared": [Declared.HIGH_POWER]}, "V06"),
        ("level at the set", {"declared": [Declared.LOW_POWER]}, "V07"),
        ("level at the set", {"channel": plan.nearest(156.75e6), "declared": [Declared.HIGH_POWER]}, "V10"),
        ("transient frequency", {"channel": CHANNEL_72}, "V30"),
        ("noise floor", {}, None),
        ("carrier offset", {"channel": None}, None),  # off the plan there is nothing assigned to be off from
    ],
)
def test_which_limit_judges(quantity: str, given: dict[str, object], expected: str | None) -> None:
    limit = chosen(quantity, **given)
    assert (limit.id if limit else None) == expected


def test_a_coast_station_is_not_held_against_what_ships_must_keep() -> None:
    coast = plan.nearest(160.650e6)
    assert choose("marine", "carrier offset", "G3E", "speech", coast, None) is None
    assert choose("marine", "peak deviation, up", "G3E", "speech", coast, None) is not None
    text = plan.nearest(518e3)
    assert choose("marine", "line B offset", "F1B", "message", text, None) is None
    rate = choose("marine", "modulation rate error", "F1B", "message", text, None)
    assert rate is not None
    assert rate.id == "N02, relative"


def test_power_is_never_proven_by_the_dongle_alone() -> None:
    levels = [limit for limit in every_limit() if limit.quantity == "level at the set"]
    assert levels
    assert all(limit.doubtful for limit in levels)


def test_unknown_set_is_named_with_those_there_are() -> None:
    with pytest.raises(ValueError, match="no limit set 'moon'; there are marine"):
        choose("moon", "sinad", "G3E", "one tone", None, None)


def test_a_regulation_only_set_holds_no_type_test_figure() -> None:
    assert {limit.standing for limit in LIMIT_SETS["regulation"].limits if chosen_from("regulation", limit)} <= {
        Standing.SURVEY_ITEM,
        Standing.REGULATION,
    }


def chosen_from(name: str, limit: Limit) -> bool:
    emission = limit.emissions[0] if limit.emissions else "G3E"
    condition = limit.conditions[0] if limit.conditions else "one tone"
    return limit in applicable(name, limit.quantity, emission, condition, CHANNEL_16, "electrical", tuple(Declared))


def test_command_shows_source_and_standing() -> None:
    shown = CliRunner().invoke(command, ["residual"])
    assert shown.exit_code == 0
    assert "type test, V24, mark M" in shown.output
    assert "EN 300 162-1" in shown.output
    assert all(len(line) <= 80 for line in shown.output.splitlines())
    document = json.loads(CliRunner().invoke(command, ["--json", "--set", "japan", "sinad"]).output)
    assert {limit["id"] for limit in document["limits"]} == {"V23", "F30"}
    assert "No limit fits" in CliRunner().invoke(command, ["nonsense"]).output
