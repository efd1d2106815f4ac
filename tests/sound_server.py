"""A sound server without a sound card: what is played into its sink comes back on the sink's monitor."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

PLAY, HEAR = "quay", "quay_monitor"
"""Names of the devices as PortAudio lists them: what goes into the one comes out of the other."""

_ALSA = f"""
</usr/share/alsa/alsa.conf>
pcm.{PLAY} {{ type pulse device "{PLAY}" hint {{ show on description "sink" }} }}
pcm.{HEAR} {{ type pulse device "{PLAY}.monitor" hint {{ show on description "its monitor" }} }}
"""
_MODULES = (
    f"module-null-sink sink_name={PLAY} rate=48000",
    "module-native-protocol-unix auth-anonymous=1 socket={socket}",
)


@dataclass(frozen=True)
class SoundServer:
    """A running server, and the environment in which PortAudio finds it."""

    process: subprocess.Popen[bytes]
    environment: dict[str, str]


@contextmanager
def sound_server(folder: Path) -> Iterator[SoundServer]:
    """Run a server of our own, which no other program uses. Skips the test, with a reason, where that cannot be had."""
    program = shutil.which("pulseaudio")
    if program is None or not Path("/usr/share/alsa/alsa.conf").exists():
        pytest.skip("sound without a card needs pulseaudio and ALSA's pulse plug-in: apt install pulseaudio")
    socket, alsa = folder / "socket", folder / "asound.conf"
    alsa.write_text(_ALSA)
    environment = {
        "PULSE_SERVER": f"unix:{socket}",
        "ALSA_CONFIG_PATH": str(alsa),
        "XDG_RUNTIME_DIR": str(folder),
        "PULSE_STATE_PATH": str(folder),
    }
    options = ["-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no", "--disable-shm=yes"]
    for module in _MODULES:
        options += ["-L", module.format(socket=socket)]
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen([program, *options], env=os.environ | environment, stdout=log, stderr=log)
    try:
        for _ in range(100):
            if socket.exists() or process.poll() is not None:
                break
            time.sleep(0.05)
        else:
            pytest.skip("the sound server does not start here")
        yield SoundServer(process, environment)
    finally:
        process.kill()
        process.wait()


@contextmanager
def sound_server_here(folder: Path) -> Iterator[SoundServer]:
    """The same, and let PortAudio in this process find it."""
    with sound_server(folder) as server:
        before = {name: os.environ.get(name) for name in server.environment}
        os.environ.update(server.environment)
        try:
            library = _looking_again()
            if not any(device["name"] == HEAR for device in library.query_devices()):
                pytest.skip("PortAudio does not see the sound server: apt install libasound2-plugins")
            yield server
        finally:
            for name, value in before.items():
                if value is None:
                    del os.environ[name]
                else:
                    os.environ[name] = value
            _looking_again()


def _looking_again():  # type: ignore[no-untyped-def]
    """PortAudio lists its devices once, when it starts."""
    known = "sounddevice" in sys.modules
    try:
        import sounddevice
    except OSError:
        pytest.skip("PortAudio is not installed: apt install libportaudio2")
    if known:
        sounddevice._terminate()
        sounddevice._initialize()
    return sounddevice
