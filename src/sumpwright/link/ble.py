"""Bluetooth Low Energy thermometers that keep to the open standard services.

Two characteristics are read: Temperature (2A6E, Environmental Sensing) and Temperature
Measurement (2A1C, Health Thermometer). Probes with a private protocol are not.
The radio is driven by the optional package bleak.
"""

from __future__ import annotations

import asyncio
import math
import queue
import threading
from typing import Any, Final

from sumpwright.link.decode import hexed, refused, to_kelvin
from sumpwright.link.describe import Kind, Option, Values
from sumpwright.link.source import STALE_AFTER, Decoded, LinkDown, Reading, Silence

ENVIRONMENTAL: Final = "2A6E"
HEALTH: Final = "2A1C"
_UUID: Final = "0000{}-0000-1000-8000-00805f9b34fb"
# Standard reserved values of the 32-bit float: NaN, NRes, +INF, -INF, reserved.
_NO_NUMBER: Final = {0x7FFFFF, 0x800000, 0x7FFFFE, 0x800002, 0x800001}

BLE_KIND = Kind(
    "ble",
    "a Bluetooth thermometer with a standard temperature service",
    "the address of the thermometer",
    "ble:00:00:5E:00:53:01",
    (
        Option(
            "characteristic",
            "2A6E environmental sensing, 2A1C health thermometer",
            "choice",
            ENVIRONMENTAL,
            choices=(ENVIRONMENTAL, HEALTH),
        ),
        Option(
            "period",
            "seconds between two readings where it does not report",
            "number",
            "1",
            0.2,
            60,
        ),
    ),
)


def environmental(data: bytes) -> Decoded:
    """Decode the Temperature characteristic: signed 16 bits, 0.01 °C.

    References
    ----------
    Bluetooth SIG, *GATT Specification Supplement*, Temperature (2A6E): sint16, little
    endian, exponent −2, −273.15 to 327.67 °C; 8000 hex means that the value is not known.

    Examples
    --------
    >>> environmental(bytes.fromhex("880E")).workings
    '3720 × 0.01 = 37.2 °C'
    """
    if len(data) != 2:
        return refused(data, f"{len(data)} bytes came where 2 were expected")
    value = int.from_bytes(data, "little", signed=True)
    if value == -0x8000:
        return refused(data, "the thermometer does not know the temperature")
    celsius = value / 100.0
    return Decoded(to_kelvin(celsius, "C"), hexed(data), f"{value} × 0.01 = {celsius:g} °C")


def health(data: bytes) -> Decoded:
    """Decode the Temperature Measurement characteristic.

    Byte 0: flags (bit 0: the value is in °F). Bytes 1 to 4: an IEEE 11073-20601 float,
    24-bit signed mantissa and 8-bit signed exponent to the base ten.

    References
    ----------
    Bluetooth SIG, *Health Thermometer Service*; IEEE 11073-20601, FLOAT-Type.

    Examples
    --------
    >>> health(bytes.fromhex("00 6C0100FF")).workings
    '364 × 10^-1 = 36.4 °C'
    """
    if len(data) < 5:
        return refused(data, f"{len(data)} bytes came where 5 were expected")
    mantissa = int.from_bytes(data[1:4], "little")
    exponent = int.from_bytes(data[4:5], "little", signed=True)
    if mantissa in _NO_NUMBER:
        return refused(data, "the thermometer does not know the temperature")
    if mantissa & 0x800000:
        mantissa -= 0x1000000
    value = mantissa * 10.0**exponent
    unit = "F" if data[0] & 1 else "C"
    if not math.isfinite(value):
        return refused(data, "the value is beyond all reason")
    return Decoded(
        to_kelvin(value, "F" if unit == "F" else "C"),
        hexed(data),
        f"{mantissa} × 10^{exponent} = {value:g} °{unit}",
    )


class BleThermometer:
    """A thermometer that reports by notification or indication, or is read in turn.

    Parameters
    ----------
    values : Values
        Checked settings: address and characteristic.
    client : object, optional
        Keyword arguments for ``bleak.BleakClient``, for instance another backend.
    """

    direct = False
    period = 0.0
    caution = ""

    def __init__(self, values: Values, client: dict[str, Any] | None = None) -> None:
        self._address = values.description.place
        self._characteristic = values.text("characteristic")
        self._pause = values.number("period")
        self._client = dict(client or {})
        self.name = values.name(f"thermometer {self._address}")
        self.stale_after = values.stale(max(STALE_AFTER, 2.0 * self._pause))
        self._heard: queue.Queue[Decoded] = queue.Queue(maxsize=64)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None
        self._leave: asyncio.Event | None = None
        self._failed = ""

    def open(self) -> None:
        """Connect; the radio runs in a thread of its own."""
        self.close()
        try:
            import bleak
        except ImportError:
            raise LinkDown(
                "Bluetooth needs the package bleak, which is not installed", "install bleak"
            ) from None
        self._failed = ""
        ready = threading.Event()
        self._thread = threading.Thread(
            target=lambda: asyncio.run(self._serve(bleak.BleakClient, ready)), daemon=True
        )
        self._thread.start()
        if not ready.wait(20.0) or self._failed:
            why = self._failed or "no answer"
            self.close()
            raise LinkDown(f"{self._address} cannot be reached: {why}", "switch it on, come nearer")

    def read(self, timeout: float) -> Reading:
        """Wait at most `timeout` s for a reading; of a backlog only the newest counts."""
        try:
            newest = self._heard.get(timeout=timeout)
        except queue.Empty:
            if self._failed or self._thread is None or not self._thread.is_alive():
                raise LinkDown(
                    f"the thermometer is gone: {self._failed or 'disconnected'}", "come nearer"
                ) from None
            raise Silence(f"no reading within {timeout:g} s") from None
        while not self._heard.empty():
            newest = self._heard.get_nowait()
        return newest.reading(self.name)

    def close(self) -> None:
        """Disconnect."""
        thread, loop, leave = self._thread, self._loop, self._leave
        self._thread = self._loop = self._leave = None
        if loop is not None and leave is not None and not loop.is_closed():
            loop.call_soon_threadsafe(leave.set)
        if thread is not None and thread is not threading.current_thread():
            thread.join(5.0)
        while not self._heard.empty():
            self._heard.get_nowait()

    async def _serve(self, make: Any, ready: threading.Event) -> None:
        leave = asyncio.Event()
        self._loop, self._leave = asyncio.get_running_loop(), leave
        uuid = _UUID.format(self._characteristic.lower())
        decode = health if self._characteristic == HEALTH else environmental

        def heard(_: object, data: bytearray) -> None:
            if self._heard.full():
                self._heard.get_nowait()
            self._heard.put_nowait(decode(bytes(data)))

        try:
            async with make(
                self._address,
                disconnected_callback=lambda _: leave.set(),
                timeout=15.0,
                **self._client,
            ) as client:
                characteristic = client.services.get_characteristic(uuid)
                if characteristic is None:
                    raise LookupError(f"it has no characteristic {self._characteristic}")
                reports = {"notify", "indicate"} & set(characteristic.properties)
                if reports:
                    await client.start_notify(characteristic, heard)
                ready.set()
                while not leave.is_set():
                    if not reports:
                        heard(None, await client.read_gatt_char(characteristic))
                    try:
                        await asyncio.wait_for(leave.wait(), self._pause)
                    except TimeoutError:
                        continue
        except Exception as error:
            # the backends of bleak raise errors of three operating systems
            self._failed = str(error) or type(error).__name__
        finally:
            ready.set()
