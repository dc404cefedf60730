"""Decodings against published scalings and against a library that no one here wrote."""

from __future__ import annotations

import math

import cantools
import pytest
from cantools.database.can.database import Database

from sumpwright.link.ble import environmental, health
from sumpwright.link.decode import Scaling, legislated, parameter_group, spn_177
from sumpwright.link.dialect import check_byte

# SAE J1939-71: PGN 65272 (TF1), 8 bytes, priority 6; SPN 177 in bytes 5-6, 0.03125 °C per bit,
# offset -273 °C, data range -273 to 1734.96875 °C. SAE J1979: PID 05 and 5C are A - 40.
# The database below states that in the notation that cantools reads.
DBC = """
VERSION ""
NS_ :
BS_:
BU_: Gearbox Engine Tool
BO_ 2566846718 TF1: 8 Gearbox
 SG_ TransOilTemp : 32|16@1+ (0.03125,-273) [-273|1734.96875] "degC" Tool
BO_ 2024 Coolant: 8 Engine
 SG_ EngineCoolant : 24|8@1+ (1,-40) [-40|215] "degC" Tool
BO_ 2025 Tenths: 8 Gearbox
 SG_ Big : 39|16@0- (0.1,-40) [-60|250] "degC" Tool
 SG_ Little : 48|16@1+ (0.02,-50) [-60|250] "degC" Tool
"""


@pytest.fixture(scope="module")
def database() -> Database:
    found = cantools.database.load_string(DBC, "dbc")
    assert isinstance(found, Database)
    return found


def test_every_value_of_spn_177_is_decoded_as_cantools_does(database: Database) -> None:
    message = database.get_message_by_name("TF1")
    assert parameter_group(message.frame_id) == 65272
    for value in range(0x10000):
        data = b"\xff\xff\xff\xff" + value.to_bytes(2, "little") + b"\xff\xff"
        found = spn_177(data)
        theirs = message.decode(data)["TransOilTemp"]
        if value <= 0xFAFF:
            assert found.kelvin - 273.15 == pytest.approx(theirs, abs=1e-9)
            assert not found.doubt
        else:
            # SAE J1939-71, transmitted signal ranges: FB00 and above carry no value
            assert math.isnan(found.kelvin)
            assert found.doubt


@pytest.mark.parametrize(
    ("value", "celsius"),
    # the ends of the published data range, and the count whose value is 0 °C: 273 / 0.03125
    [(0x0000, -273.0), (0xFAFF, 1734.96875), (8736, 0.0)],
)
def test_spn_177_at_the_published_ends(value: int, celsius: float) -> None:
    found = spn_177(bytes(4) + value.to_bytes(2, "little") + bytes(2))
    assert found.kelvin - 273.15 == pytest.approx(celsius, abs=1e-9)


@pytest.mark.parametrize("value", [0xFE00, 0xFEFF])
def test_the_published_error_indicator(value: int) -> None:
    assert "fault" in spn_177(bytes(4) + value.to_bytes(2, "little") + bytes(2)).doubt


@pytest.mark.parametrize("value", [0xFF00, 0xFFFF])
def test_the_published_not_available_indicator(value: int) -> None:
    assert "available" in spn_177(bytes(4) + value.to_bytes(2, "little") + bytes(2)).doubt


def test_every_legislated_value_is_decoded_as_cantools_does(database: Database) -> None:
    message = database.get_message_by_name("Coolant")
    for value in range(256):
        frame = bytes([0x03, 0x41, 0x05, value, 0, 0, 0, 0])
        theirs = message.decode(frame)["EngineCoolant"]
        assert legislated(0x05, frame[1:4]).kelvin - 273.15 == pytest.approx(theirs)


@pytest.mark.parametrize(
    ("pid", "value", "celsius"),
    # SAE J1979 / ISO 15031-5: 05 from -40 to +215 °C, 5C from -40 to +210 °C
    [(0x05, 0, -40.0), (0x05, 255, 215.0), (0x5C, 0, -40.0), (0x5C, 250, 210.0)],
)
def test_legislated_at_the_published_ends(pid: int, value: int, celsius: float) -> None:
    found = legislated(pid, bytes([0x41, pid, value]))
    assert found.kelvin - 273.15 == pytest.approx(celsius)
    assert not found.doubt


def test_oil_above_the_published_end_is_refused() -> None:
    assert legislated(0x5C, bytes([0x41, 0x5C, 251])).doubt


@pytest.mark.parametrize("value", [0, 1, 400, 0x7FFF, 0x8000, 0xFC00, 0xFFFF])
def test_user_scalings_agree_with_cantools(database: Database, value: int) -> None:
    message = database.get_message_by_name("Tenths")
    wide = {"low": -math.inf, "high": math.inf}
    big = Scaling(4, 2, "big", True, 0.1, -40.0, **wide)  # type: ignore[arg-type]
    little = Scaling(6, 2, "little", False, 0.02, -50.0, **wide)  # type: ignore[arg-type]
    data = bytes(4) + value.to_bytes(2, "big") + value.to_bytes(2, "little")
    theirs = message.decode(data)
    assert big.decode(data).kelvin - 273.15 == pytest.approx(theirs["Big"])
    assert little.decode(data).kelvin - 273.15 == pytest.approx(theirs["Little"])


def test_the_check_byte_of_the_older_buses() -> None:
    # CRC-8/SAE-J1850, check value of "123456789" in the catalogue of parametrised CRC
    # algorithms (G. Cook): 4B
    assert check_byte(b"123456789", "1") == 0x4B
    # ISO 9141-2: simple sum of all bytes modulo 256
    assert check_byte(bytes([0x48, 0x6B, 0x10, 0x41, 0x05, 0x7B]), "3") == 388 % 256


@pytest.mark.parametrize(
    ("data", "celsius"),
    # Bluetooth SIG, GATT Specification Supplement, Temperature: sint16 of 0.01 °C,
    # least value -273.15 °C, greatest 327.67 °C
    [(b"\x4d\x95", -273.15), (b"\xff\x7f", 327.67), (b"\x00\x00", 0.0)],
)
def test_environmental_sensing_at_the_published_ends(data: bytes, celsius: float) -> None:
    assert environmental(data).kelvin - 273.15 == pytest.approx(celsius)


def test_environmental_sensing_not_known() -> None:
    # the same document: 8000 hex means that the value is not known
    assert environmental(b"\x00\x80").doubt


def test_health_thermometer_float() -> None:
    # IEEE 11073-20601 FLOAT-Type, exponent -1 and mantissa 364 (6C 01 00 FF): 36.4; the worked
    # example of the Bluetooth SIG's personal health devices white paper, from memory
    assert health(bytes.fromhex("006C0100FF")).kelvin - 273.15 == pytest.approx(36.4)
    # flag bit 0: degrees Fahrenheit; 97.5 °F is 36.39 °C
    assert health(bytes.fromhex("01CF0300FF")).kelvin - 273.15 == pytest.approx(65.5 * 5 / 9)


@pytest.mark.parametrize("special", ["FFFF7F00", "00008000", "FEFF7F00", "02008000", "01008000"])
def test_health_thermometer_special_values(special: str) -> None:
    # IEEE 11073-20601: NaN, NRes, +INFINITY, -INFINITY, reserved
    assert health(b"\x00" + bytes.fromhex(special)).doubt
