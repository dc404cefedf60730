"""Long logs, small: days of readings in a file or a field of the store.

The log is a row of blocks that stand alone. Each holds up to 4096 readings as whole
milliseconds and millikelvins: the first as they are, the rest as differences, split
into byte planes and compressed with Zstandard. A block carries its length and a check
sum, so that a log cut off by a crash is read up to its last whole block, and writing
and reading take the same memory whatever the length.

Block: ``SWL1``, number of readings (u32), first time in ms since 1970 or since the
start (i64), first temperature in mK (i64), length of the packed part (u32), CRC-32 of
all that follows the length (u32), packed part. All little-endian.
"""

from __future__ import annotations

import io
import math
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path
from time import monotonic
from typing import BinaryIO, Final

import numpy as np
import zstandard
from numpy.typing import NDArray

from sumpwright.errors import Complaint
from sumpwright.link.source import Reading

Floats = NDArray[np.float64]

BLOCK: Final = 4096
_MAGIC: Final = b"SWL1"
_HEAD: Final = struct.Struct("<4sIqqII")
_LIMIT: Final = 2**31 - 1


def _pack_differences(values: NDArray[np.int64]) -> bytes:
    steps = np.diff(values).astype("<i4")
    return steps.view(np.uint8).reshape(-1, 4).T.tobytes()


def _unpack_differences(planes: bytes, first: int) -> NDArray[np.int64]:
    steps = np.frombuffer(planes, np.uint8).reshape(4, -1).T.copy().view("<i4")[:, 0]
    return np.concatenate(([first], first + np.cumsum(steps, dtype=np.int64))).astype(np.int64)


class SoakWriter:
    """Append readings to an open binary file.

    Parameters
    ----------
    file : binary file
        Opened for writing or appending.
    block : int
        Readings per block; a crash costs at most so many.

    Examples
    --------
    >>> file = io.BytesIO()
    >>> with SoakWriter(file) as soak:
    ...     for second in range(3):
    ...         soak.add(float(second), 293.15 + second)
    >>> seconds, kelvin = unpack(file.getvalue())
    >>> seconds.tolist(), kelvin.round(3).tolist()
    ([0.0, 1.0, 2.0], [293.15, 294.15, 295.15])
    """

    def __init__(self, file: BinaryIO, block: int = BLOCK) -> None:
        self._file = file
        self._block = block
        self._times: list[int] = []
        self._kelvins: list[int] = []
        self._squeeze = zstandard.ZstdCompressor(level=9)

    def add(self, seconds: float, kelvin: float) -> None:
        """Add one reading: s since 1970 (or since the start) and K.

        Raises
        ------
        ValueError
            When one of them is not finite, or the temperature is beyond all reason.
        """
        time, milli = round(seconds * 1000.0), round(kelvin * 1000.0)
        if not 0 <= milli <= 10_000_000:
            raise ValueError(f"{kelvin} K cannot be kept")
        if self._times and abs(time - self._times[-1]) > _LIMIT:
            self.flush()
        self._times.append(time)
        self._kelvins.append(milli)
        if len(self._times) >= self._block:
            self.flush()

    def flush(self) -> None:
        """Write what has been added as a block of its own."""
        self._file.write(self.waiting())
        self._times.clear()
        self._kelvins.clear()

    def waiting(self) -> bytes:
        """Return what has been added since the last block, as the block that it would make."""
        if not self._times:
            return b""
        times = np.array(self._times, np.int64)
        kelvins = np.array(self._kelvins, np.int64)
        packed = self._squeeze.compress(_pack_differences(times) + _pack_differences(kelvins))
        first = (len(times), int(times[0]), int(kelvins[0]))
        return _HEAD.pack(_MAGIC, *first, len(packed), _check(*first, packed)) + packed

    def __enter__(self) -> SoakWriter:
        return self

    def __exit__(self, *_: object) -> None:
        self.flush()


class SoakFile:
    """Keep the good readings of a watch in a file.

    A block that is not full is written all the same, and written over by the fuller one: a crash
    costs the readings of the last five seconds, one in the middle of writing those of a block.

    Parameters
    ----------
    path : pathlib.Path
        A new file, or one begun earlier.

    Raises
    ------
    Complaint
        When the file is something else, or cannot be written.
    """

    _BLOCK = 60
    _EVERY = 5.0

    def __init__(self, path: Path) -> None:
        self.count = 0
        try:
            whole = 0
            if path.exists() and path.stat().st_size > 0:
                with path.open("rb") as file:
                    for _ in read_soak(file):
                        whole = file.tell()
            self._file = path.open("r+b" if path.exists() else "w+b")
            # a torn block at the end would hide all that follows it
            self._file.truncate(whole)
            self._file.seek(whole)
        except Complaint as complaint:
            complaint.where = str(path)
            raise
        except OSError as error:
            raise Complaint(
                f"cannot be written: {error.strerror}", "give another name", where=str(path)
            ) from error
        self._soak = SoakWriter(self._file, self._BLOCK)
        self._kept = -math.inf

    def write(self, reading: Reading) -> None:
        """Add one reading with its time since 1970; a doubted one is left out."""
        if not reading.good:
            return
        begun = self._file.tell()
        self._soak.add(reading.at.timestamp(), reading.kelvin)
        self.count += 1
        now = monotonic()
        whole = self._file.tell()
        if whole == begun and now - self._kept < self._EVERY:
            return
        self._file.write(self._soak.waiting())
        self._file.truncate()
        self._file.seek(whole)
        self._kept = now

    def close(self) -> None:
        """Write what is left and close the file."""
        self._soak.flush()
        self._file.truncate()
        self._file.close()

    def __enter__(self) -> SoakFile:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _check(count: int, time: int, kelvin: int, packed: bytes) -> int:
    return zlib.crc32(packed, zlib.crc32(struct.pack("<Iqq", count, time, kelvin)))


def read_soak(file: BinaryIO) -> Iterator[tuple[Floats, Floats]]:
    """Read a log block by block.

    Parameters
    ----------
    file : binary file
        Opened at the start of a log.

    Yields
    ------
    seconds, kelvin : ndarray of shape (n,)
        s as they were added, and K, both to a thousandth.

    Raises
    ------
    Complaint
        When it is no such log from the start. A log whose end is damaged or missing just
        ends after its last whole block.
    """
    expand = zstandard.ZstdDecompressor()
    begun = False
    while head := file.read(_HEAD.size):
        whole = len(head) == _HEAD.size
        magic, count, time, kelvin, length, check = (
            _HEAD.unpack(head) if whole else (b"", 0, 0, 0, 0, 0)
        )
        if magic != _MAGIC or not 0 < count <= 1 << 20 or length > 16 * count + 1024:
            if begun or _MAGIC.startswith(head[:4]):
                return
            raise Complaint("this is no log of temperatures", "choose another file")
        packed = file.read(length)
        if len(packed) < length or _check(count, time, kelvin, packed) != check:
            return
        planes = expand.decompress(packed, max_output_size=8 * count) if count > 1 else b""
        half = 4 * (count - 1)
        times = _unpack_differences(planes[:half], time)
        kelvins = _unpack_differences(planes[half:], kelvin)
        begun = True
        yield times / 1000.0, kelvins / 1000.0


def pack(seconds: Floats, kelvin: Floats) -> bytes:
    """A whole log at once, for a field of the store.

    Parameters
    ----------
    seconds, kelvin : ndarray of shape (n,)
        s since 1970 (or since the start) and K.

    Examples
    --------
    >>> t = np.arange(86_400.0)
    >>> kept = pack(t, 330.0 + 20.0 * np.sin(t / 900.0).round(2))
    >>> len(kept) < 16 * len(t) / 40
    True
    """
    file = io.BytesIO()
    with SoakWriter(file) as writer:
        for when, value in zip(seconds.tolist(), kelvin.tolist(), strict=True):
            writer.add(when, value)
    return file.getvalue()


def unpack(kept: bytes) -> tuple[Floats, Floats]:
    """Seconds and K of a log made by `pack` or `SoakWriter`.

    Raises
    ------
    Complaint
        When it is no such log.
    """
    blocks = list(read_soak(io.BytesIO(kept)))
    if not blocks:
        return np.empty(0), np.empty(0)
    return np.concatenate([b[0] for b in blocks]), np.concatenate([b[1] for b in blocks])
