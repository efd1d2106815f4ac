"""The last working set-up, remembered between days: what was received from, through what, and with which reference."""

from __future__ import annotations

from pathlib import Path

import msgspec
from platformdirs import user_config_path

from sdrcheck.sources.tuner import VHF_CENTRE_HZ


class Setup(msgspec.Struct, frozen=True, kw_only=True):
    """What the start page asks."""

    source: str = "dongle"
    centre: str = f"{VHF_CENTRE_HZ / 1e6}M"
    rate: str = "2.4M"
    gain: str = ""
    power: str = "25W"
    chain: str = ""
    reference: str = ""
    limit_set: str = "marine"
    tone_source: str = ""
    power_setting: str = ""
    sound_level: str = ""


def _path() -> Path:
    return user_config_path("sdrcheck") / "window-setup.json"


def remembered() -> Setup:
    """The last set-up that worked, or the plain one where there is none that can be read."""
    try:
        return msgspec.json.decode(_path().read_bytes(), type=Setup)
    except (OSError, msgspec.DecodeError):
        return Setup()


def remember(setup: Setup) -> None:
    """Keep a set-up that worked; a folder that cannot be written is no reason to stop a job."""
    path = _path()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(msgspec.json.format(msgspec.json.encode(setup), indent=2))
    except OSError:
        return
