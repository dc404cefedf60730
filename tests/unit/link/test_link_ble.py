"""The Bluetooth thermometer on a radio backend written for the test.

bleak lets a backend be exchanged; the one here answers from memory, for there is no radio
on a test machine. What it cannot show is how real radios behave.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any, ClassVar

import pytest
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bleak.exc import BleakError

from sumpwright.link.ble import BLE_KIND, BleThermometer
from sumpwright.link.describe import Description
from sumpwright.link.source import LinkDown, Silence
from vehicle import patient_read


class Radio(BaseBleakClient):
    """One thermometer in reach, with one characteristic."""

    uuid: ClassVar[str] = "00002a6e-0000-1000-8000-00805f9b34fb"
    properties: ClassVar[list[str]] = ["read", "notify"]
    value: ClassVar[bytes] = b"\x88\x0e"
    reachable: ClassVar[bool] = True
    now: ClassVar[Any] = None

    async def connect(self, pair: bool = False, **_: Any) -> None:
        del pair
        if not self.reachable:
            raise BleakError("not found")
        services = BleakGATTServiceCollection()
        service = BleakGATTService(None, 1, "0000181a-0000-1000-8000-00805f9b34fb")
        services.add_service(service)
        services.add_characteristic(
            BleakGATTCharacteristic(None, 2, self.uuid, self.properties, lambda: 20, service)
        )
        self.services = services
        self._connected = True
        self._loop = asyncio.get_running_loop()
        type(self).now = self

    async def disconnect(self) -> None:
        self._connected = False

    @property
    def is_connected(self) -> bool:
        return getattr(self, "_connected", False)

    @property
    def mtu_size(self) -> int:
        return 23

    @property
    def name(self) -> str:
        return "thermometer"

    async def pair(self, *_: Any, **__: Any) -> None:
        raise NotImplementedError

    async def unpair(self) -> None:
        raise NotImplementedError

    async def read_gatt_char(self, *_: Any, **__: Any) -> bytearray:
        return bytearray(self.value)

    async def read_gatt_descriptor(self, *_: Any, **__: Any) -> bytearray:
        raise NotImplementedError

    async def write_gatt_char(self, *_: Any, **__: Any) -> None:
        raise AssertionError("nothing is ever written to a thermometer")

    write_gatt_descriptor = write_gatt_char

    async def start_notify(self, _c: Any, callback: Callable[[bytearray], None], **__: Any) -> None:
        self.callback = callback

    async def stop_notify(self, *_: Any) -> None:
        return

    def says(self, data: bytes) -> None:
        self._loop.call_soon_threadsafe(self.callback, bytearray(data))

    def drops(self) -> None:
        assert self._disconnected_callback is not None
        self._loop.call_soon_threadsafe(self._disconnected_callback)


def thermometer(options: dict[str, str]) -> BleThermometer:
    values = Description("ble", "00:00:5E:00:53:01", options).values(BLE_KIND)
    return BleThermometer(values, {"backend": Radio})


def test_notifications_are_read_and_a_lost_radio_is_link_down() -> None:
    Radio.properties, Radio.reachable = ["read", "notify"], True
    source = thermometer({})
    source.open()
    with pytest.raises(Silence):
        source.read(0.05)
    Radio.now.says(b"\x88\x0e")
    assert source.read(5.0).celsius == pytest.approx(37.2)
    Radio.now.says(b"\x00\x80")
    assert "does not know" in source.read(5.0).doubt
    Radio.now.drops()
    with pytest.raises(LinkDown):
        patient_read(source)
    source.close()
    source.open()
    Radio.now.says(b"\xec\x0e")
    assert source.read(5.0).celsius == pytest.approx(38.2)
    source.close()


def test_a_thermometer_that_does_not_report_is_read_in_turn() -> None:
    Radio.properties, Radio.reachable = ["read"], True
    source = thermometer({"period": "0.2"})
    source.open()
    assert source.read(5.0).celsius == pytest.approx(37.2)
    assert source.read(5.0).celsius == pytest.approx(37.2)
    source.close()


def test_what_cannot_be_used_is_told() -> None:
    Radio.reachable = False
    with pytest.raises(LinkDown, match="not found"):
        thermometer({}).open()
    Radio.reachable = True
    with pytest.raises(LinkDown, match="no characteristic 2A1C"):
        thermometer({"characteristic": "2A1C"}).open()
