"""Links that are cut, hang or dribble while a watch is on them."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import can
import pytest

from sumpwright.link.source import STALE_AFTER, LinkDown, LinkTrouble, Silence, Source
from sumpwright.link.sources import build
from sumpwright.link.watch import Status, Watch
from vehicle.adapter_emulator import PtyAdapter, TcpAdapter
from vehicle.control_unit import ControlUnit


def until(watch: Watch, wanted: Callable[[Status], bool]) -> Status:
    """Follow `watch` until `wanted`; nothing old may be called current on the way."""
    end = time.monotonic() + 40.0
    status = watch.status()
    while not wanted(status):
        assert time.monotonic() < end, f"never came: {status}"
        status = watch.wait(status, 0.5)
        if status.current is not None:
            assert status.age is not None
            assert status.age < STALE_AFTER < 2.0
    return status


def coolant(_: str) -> str:
    return "7E8 03 41 05 4E"


def test_a_serial_adapter_is_pulled_out_and_put_back(tmp_path: Path) -> None:
    plug = tmp_path / "ttyUSB0"
    watch = Watch(build(f"adapter:{plug}?pid=05&period=0.1"), pause=(0.1, 0.3))
    with watch:
        until(watch, lambda s: bool(s.trouble))
        with PtyAdapter(coolant, plug):
            assert until(watch, lambda s: s.state == "fresh").last is not None
        stale = until(watch, lambda s: s.state == "stale")
        assert stale.trouble
        assert stale.do
        with PtyAdapter(coolant, plug):
            until(watch, lambda s: s.state == "fresh")


def test_a_network_adapter_loses_power_and_comes_back() -> None:
    with TcpAdapter(coolant) as adapter:
        port = adapter.port
        watch = Watch(build(f"adapter:{adapter.place}?pid=05&period=0.1"), pause=(0.1, 0.3)).start()
        until(watch, lambda s: s.state == "fresh")
    until(watch, lambda s: s.state == "stale" and not s.connected)
    with TcpAdapter(coolant, port):
        until(watch, lambda s: s.state == "fresh")
    watch.stop()


NEVER_LOST = 1000.0


@pytest.mark.parametrize("says_so", [True, False])
def test_an_adapter_that_restarts_is_set_up_again(says_so: bool) -> None:
    def answer(_: str) -> str:
        if adapter.headers:
            return "7E9 04 62 19 40 4E"
        return "LV RESET" if says_so else "62 19 40 4E"

    with TcpAdapter(answer) as adapter:
        text = f"adapter:{adapter.place}?did=1940&tx=7E1&rx=7E9&length=1&offset=-40&period=0.1"
        with Watch(build(text), pause=(0.05, 0.1), lost_after=NEVER_LOST) as watch:
            until(watch, lambda s: s.state == "fresh")
            before = watch.status().count
            # the supply dips: the set-up is gone
            adapter.headers = False
            until(watch, lambda s: s.count > before + 1 and adapter.commands.count("ATZ") == 2)


def test_an_answer_that_comes_late_is_not_taken_for_the_next_one() -> None:
    late = threading.Event()

    def answer(_: str) -> str:
        if not late.is_set():
            late.set()
            time.sleep(0.5)
            return "7E8 03 41 05 4E"
        return "7E8 03 41 05 50"

    with TcpAdapter(answer) as adapter:
        source = build(f"adapter:{adapter.place}?pid=05&protocol=6")
        source.open()
        with pytest.raises(Silence):
            source.read(0.2)
        assert round(source.read(2.0).celsius) == 40
        source.close()


def test_a_control_unit_falls_silent_and_speaks_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sumpwright.link.canlink.ANSWER_BY", 0.5)

    def unit() -> ControlUnit:
        bus = can.Bus(interface="virtual", channel="silent")
        return ControlUnit(bus, 0x7E1, 0x7E9, {0x1940: lambda: b"\x4e"})

    text = "uds:virtual:silent?tx=7E1&rx=7E9&did=1940&length=1&offset=-40&period=0.1"
    with Watch(build(text), timeout=0.2) as watch:
        with unit():
            until(watch, lambda s: s.state == "fresh")
        stale = until(watch, lambda s: s.state == "stale")
        assert "did not answer" in stale.trouble
        with unit():
            until(watch, lambda s: s.state == "fresh")


class Mischief:
    """A TCP server that accepts and then does what `act` says with the connection."""

    def __init__(self, act: Callable[[socket.socket, threading.Event], None]) -> None:
        self._act = act
        self._stop = threading.Event()

    def __enter__(self) -> str:
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(0.05)
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        return f"socket://127.0.0.1:{self._server.getsockname()[1]}"

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                client, _ = self._server.accept()
            except OSError:
                continue
            with client:
                try:
                    self._act(client, self._stop)
                except OSError:
                    continue

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(5.0)
        self._server.close()


def mute(_: socket.socket, stop: threading.Event) -> None:
    stop.wait(20.0)


def dribble(client: socket.socket, stop: threading.Event) -> None:
    while not stop.wait(0.01):
        client.sendall(b"7")


def flood(client: socket.socket, stop: threading.Event) -> None:
    while not stop.is_set():
        client.sendall(b"7E8 03 41 05 4E\r" * 500)


def patience(
    act: Callable[[socket.socket, threading.Event], None], kind: str
) -> LinkTrouble | None:
    """What comes of opening and reading from a server that misbehaves."""
    with Mischief(act) as place:
        source = build(f"{kind}:{place}")
        try:
            source.open()
            source.read(0.3)
        except LinkTrouble as trouble:
            return trouble
        finally:
            source.close()
        return None


def test_no_wait_is_without_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sumpwright.link.adapter._RESTART", 0.3)
    cases = [(act, kind) for act in (mute, dribble, flood) for kind in ("adapter", "lines")]
    with ThreadPoolExecutor(len(cases)) as pool:
        running = [pool.submit(patience, act, kind) for act, kind in cases]
        troubles = [future.result(timeout=60.0) for future in running]
    for (_, kind), trouble in zip(cases, troubles, strict=True):
        if kind == "adapter":
            assert isinstance(trouble, LinkDown)


def test_a_busy_bus_does_not_stretch_the_wait() -> None:
    source: Source = build("uds:virtual:busy?tx=7E1&rx=7E9&did=1940")
    stop = threading.Event()

    def chatter(bus: can.BusABC) -> None:
        message = can.Message(arbitration_id=0x123, data=bytes(8), is_extended_id=False)
        # consecutive frames that belong to nothing keep the transport layer asking for more
        own = can.Message(arbitration_id=0x7E9, data=b"\x21" + bytes(7), is_extended_id=False)
        # more than can be read, so that there is always one more to be had
        while not stop.wait(0.0005):
            for _ in range(50):
                bus.send(message)
                bus.send(own)

    source.open()
    with can.Bus(interface="virtual", channel="busy") as bus:
        thread = threading.Thread(target=chatter, args=(bus,), daemon=True)
        thread.start()
        troubles: list[LinkTrouble] = []

        def run() -> None:
            try:
                source.read(0.3)
            except LinkTrouble as trouble:
                troubles.append(trouble)

        reader = threading.Thread(target=run, daemon=True)
        reader.start()
        reader.join(10.0)
        stop.set()
        thread.join(5.0)
    assert troubles, "it still waits"
    assert "did not answer" in troubles[0].what
    source.close()
