"""The table of decoders: every name leads somewhere, and nothing is imported before it is asked for."""

from __future__ import annotations

import subprocess
import sys

import pytest

from sdrcheck.channels.channel import Channel, Emission
from sdrcheck.decoders.catalogue import DECODERS, READS, decoder, decoders_for

CALLING = Channel("2187.5", 2_187_500, 500, Emission.F1B, "distress and safety calling", "RR App. 15", calling=True)
TEXT = Channel("518", 518_000, 500, Emission.F1B, "international text", "RR App. 15", text=True)


@pytest.mark.parametrize("name", DECODERS)
def test_every_name_leads_to_a_decoder(name: str) -> None:
    assert callable(decoder(name))


def test_the_table_names_only_known_decoders() -> None:
    assert {name for names in READS.values() for name in names} == set(DECODERS)


def test_what_is_read_where() -> None:
    assert decoders_for(Emission.F1B, CALLING) == (decoder("MF/HF calls"),)
    assert decoders_for(Emission.F1B, TEXT) == (decoder("navigational text"),)
    assert set(decoders_for(Emission.F1B, None)) == {decoder("MF/HF calls"), decoder("navigational text")}
    assert decoders_for(Emission.G3E, None) == (decoder("VHF calls"),)
    assert decoders_for(Emission.N0N, None) == ()


def test_no_decoder_is_imported_with_the_table() -> None:
    code = "import sys, sdrcheck.decoders.catalogue; print([n for n in sys.modules if 'dsc.mf' in n or 'dsc.vhf' in n])"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "[]\n"
