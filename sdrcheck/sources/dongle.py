"""A receiver dongle on USB, through pyrtlsdr and the driver it brings along.

Read asynchronously in a thread of its own, at a fixed gain, with every automatic control off. The driver's whole-ppm
correction stays at 0, and the bias tee is never touched.
"""

from __future__ import annotations

import contextlib
import io
import threading
from collections.abc import Iterator
from dataclasses import dataclass, replace
from types import ModuleType
from typing import Any

import numpy as np

from sdrcheck.errors import DongleBusy, NoDongle, SourceError, SourceLost
from sdrcheck.recordings.utc import host_utc_error_s
from sdrcheck.sources.intake import Intake
from sdrcheck.sources.source import IqBlock, SourceFacts, Tuning
from sdrcheck.sources.tuner import (
    DEPENDABLE_RATE_HZ,
    Tuner,
    check_rate,
    computed_centre_hz,
    frequency_step_hz,
    needs_direct_sampling,
)

_ANSWER_S = 3.0
_SILENCE_S = 3.0
_READ_S = 0.03
_READ_BYTES = 16_384
"""The driver wants multiples of 512 bytes; these suit it better."""
_Q_INPUT = 2
"""Dongles with an input below 24 MHz have it on the converter's Q side (common practice)."""
_NOT_ALLOWED, _UNPLUGGED, _TAKEN = -3, -4, -6


def open_word(serial: str, wanted: Tuning) -> Dongle:
    """Open the source that `dongle` or `dongle:SERIAL` names."""
    return Dongle(wanted, serial or None)


class Dongle:
    """The dongle with this serial number, or the only one; tuned, fixed and already delivering when it is open.

    With `counter` the chip sends an 8-bit counter instead of samples, to see whether this computer loses any.
    """

    def __init__(self, wanted: Tuning, serial: str | None = None, *, counter: bool = False) -> None:
        if wanted.centre_hz is None:
            raise SourceError("the dongle must be told where to tune; give --centre, like --centre 156.8M")
        rate = check_rate(wanted.sample_rate_hz)
        direct = needs_direct_sampling(wanted.centre_hz, "the dongle")
        driver = _driver()
        index, self._serial = _choose(attached(driver), serial)
        self._closing = threading.Event()
        self._device = _opened(driver, index, self._serial, counter)
        try:
            self.facts = self._set_up(wanted, wanted.centre_hz, rate, direct)
            self._intake = Intake("cu8", self.facts.sample_rate_hz)
        except OSError as problem:
            self._device.close()
            raise SourceError(f"dongle {self._serial} refuses its settings ({problem}); plug it in anew") from None
        self._read_bytes = max(round(rate * 2 * _READ_S / _READ_BYTES), 1) * _READ_BYTES
        self._thread = threading.Thread(target=self._read, name=f"dongle {self._serial}", daemon=True)
        self._thread.start()
        try:
            self._intake.wait_for_samples(
                _ANSWER_S, f"dongle {self._serial} is set up but sends nothing; plug it in anew, without a hub"
            )
        except BaseException:
            self.close()
            raise
        self.facts = replace(self.facts, start_utc=self._intake.start_utc, told_late_s=self._intake.told_late_s)

    def blocks(self) -> Iterator[IqBlock]:
        """Yield the samples as they come. Raises SourceLost when the dongle is pulled out or falls silent."""
        return self._intake.blocks(
            _SILENCE_S, f"dongle {self._serial} sends no samples any more; plug it in anew, then start again"
        )

    def close(self) -> None:
        """End `blocks()` and let go of the dongle; may be called from any thread, and more than once."""
        self._closing.set()
        self._intake.close()
        if threading.current_thread() is self._thread:
            return
        self._thread.join(0.5)  # the next callback cancels the reading
        if self._thread.is_alive():
            with contextlib.suppress(OSError):
                self._device.cancel_read_async()
            self._thread.join(1.0)
        if not self._thread.is_alive():  # a driver that still reads must not lose its device
            self._device.close()

    def _set_up(self, wanted: Tuning, centre_hz: float, rate: float, direct: bool) -> SourceFacts:
        device, remarks = self._device, []
        device.sample_rate = round(rate)
        if direct:
            device.set_direct_sampling(_Q_INPUT)
            remarks.append("Sampled directly: what lies above 14.4 MHz folds to 28.8 MHz − f, turned round.")
        device.center_freq = round(centre_hz)
        device.set_agc_mode(False)
        asked_db = wanted.gain_db or 0.0
        gain_db = min(device.valid_gains_db, key=lambda step: abs(step - asked_db))
        device.gain = gain_db
        if not direct and abs(gain_db - asked_db) > 0.05:
            remarks.append(f"A gain of {asked_db:g} dB was asked for; this tuner's nearest step is {gain_db:g} dB.")
        if rate > DEPENDABLE_RATE_HZ:
            remarks.append("Above 2.4 million samples per second the chip itself may lose some.")
        tuner = Tuner.of(device.get_tuner_type())
        if wanted.computed_centre:
            moved = computed_centre_hz(centre_hz, tuner) - centre_hz
            centre_hz += moved
            remarks.append(
                f"The centre was moved by {moved:+.2f} Hz after the tuner's arithmetic, which nobody has verified."
            )
        return SourceFacts(
            name=f"dongle {self._serial} ({tuner.label})",
            sample_rate_hz=device.sample_rate,
            centre_hz=centre_hz,
            datatype="cu8",
            serial=self._serial,
            gain_db=None if direct else gain_db,
            frequency_step_hz=frequency_step_hz(centre_hz, tuner),
            host_utc_error_s=host_utc_error_s(),
            remarks=tuple(remarks),
        )

    def _read(self) -> None:
        reason = "it was pulled out, or the driver gave up"
        try:
            self._device.read_bytes_async(self._take, self._read_bytes)
        except OSError as problem:
            reason = str(problem)
        self._intake.end(
            None
            if self._closing.is_set()
            else SourceLost(f"dongle {self._serial} was lost ({reason}); plug it in anew, then start again")
        )

    def _take(self, buffer: Any, _: object) -> None:
        try:
            if self._closing.is_set():
                self._device.cancel_read_async()
            else:
                self._intake.put(bytes(buffer))
        except Exception as problem:  # what leaves a C callback is printed and forgotten
            self._intake.end(problem)


@dataclass(frozen=True, slots=True)
class CounterCheck:
    """What the chip's own counter says about losses between it and us."""

    samples: int
    breaks: int
    """Places where the counter jumped."""


def check_by_counter(seconds: float, sample_rate_hz: float, serial: str | None = None) -> CounterCheck:
    """Let the chip count for some seconds and look for jumps. Raises as opening a dongle does."""
    wanted = Tuning(centre_hz=100e6, sample_rate_hz=sample_rate_hz)
    samples = breaks = 0
    last: int | None = None
    with contextlib.closing(Dongle(wanted, serial, counter=True)) as dongle:
        for block in dongle.blocks():
            codes = block.raw if last is None else np.concatenate([[np.uint8(last)], block.raw])
            breaks += int(np.count_nonzero(np.diff(codes) != 1))
            last = int(block.raw[-1])
            samples += block.count
            if samples >= seconds * sample_rate_hz:
                break
    return CounterCheck(samples, breaks)


def attached(driver: ModuleType | None = None) -> list[str]:
    """Serial numbers of the dongles on USB; an unreadable one is "?". Raises SourceError without a driver."""
    driver = driver or _driver()
    try:
        serials: list[str] = driver.RtlSdr.get_device_serial_addresses()
    except OSError:  # one of them does not tell, as it is held by somebody else
        return ["?"] * driver.librtlsdr.rtlsdr_get_device_count()
    return serials


def _driver() -> ModuleType:
    try:
        with contextlib.redirect_stdout(io.StringIO()):  # the bundled library's loader prints
            import rtlsdr
    except ImportError as problem:
        raise SourceError(
            f"the driver for dongles cannot be loaded ({problem}); install it anew: pip install --force-reinstall "
            '"pyrtlsdr[lib]"'
        ) from None
    except AttributeError as problem:
        raise SourceError(
            f"the driver library on this computer is too old ({problem}); install the one that pyrtlsdr brings: pip "
            'install --force-reinstall "pyrtlsdr[lib]"'
        ) from None
    module: ModuleType = rtlsdr
    return module


def _choose(serials: list[str], wanted: str | None) -> tuple[int, str]:
    if not serials:
        raise NoDongle(
            "no receiver dongle answered on USB (0 found); plug one in, or play a recording: "
            "--from captures/test-call.sigmf-meta"
        )
    found = ", ".join(serials)
    if wanted is None:
        if len(serials) > 1:
            raise SourceError(f"{len(serials)} dongles are plugged in ({found}); name one, like dongle:{serials[0]}")
        return 0, serials[0]
    if wanted not in serials:
        raise NoDongle(f"no dongle has the serial number {wanted} (found: {found}); name one of those")
    if serials.count(wanted) > 1:
        raise SourceError(
            f"{serials.count(wanted)} dongles have the serial number {wanted}; unplug all but one of them"
        )
    return serials.index(wanted), wanted


def _opened(driver: ModuleType, index: int, serial: str, counter: bool) -> Any:
    try:
        return driver.RtlSdr(device_index=index, test_mode_enabled=counter)
    except OSError as problem:
        if problem.errno == _NOT_ALLOWED:
            raise SourceError(
                f"dongle {serial} may not be opened by this user; install the driver's udev rule (Linux) or its USB "
                "driver (Windows), then plug it in anew"
            ) from None
        if problem.errno == _TAKEN:
            raise DongleBusy(
                f"dongle {serial} is held by another program or by the kernel's television driver; end that program, "
                "or unload dvb_usb_rtl28xxu"
            ) from None
        if problem.errno == _UNPLUGGED:
            raise NoDongle(f"dongle {serial} went away while it was opened; plug it in anew") from None
        raise SourceError(f"dongle {serial} cannot be opened ({problem}); plug it in anew, without a hub") from None
