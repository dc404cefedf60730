"""Control units that answer late, with what cannot be fetched, or not at all."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, field

import can
import pytest

from sumpwright.link import canlink
from sumpwright.link.source import LinkTrouble, Reading, clock
from sumpwright.link.sources import build, try_source
from sumpwright.link.watch import Watch


@dataclass
class Lagging:
    """Answers each request `lag` s after it came, with the second in which it came.

    The byte counts tenths of a second since the unit was made, so that a test sees how
    old the fluid's temperature is that was sent.
    """

    channel: str
    lag: float
    says: int = 0x7E9
    answer: bytes = b"\x04\x62\x19\x40"
    requests: list[float] = field(default_factory=list)
    _began: float = field(default_factory=clock)

    def measured(self, reading: Reading) -> float:
        """When the temperature of a reading was measured, on `clock`."""
        return self._began + reading.celsius + 40.0

    def __enter__(self) -> Lagging:
        self._bus = can.Bus(interface="virtual", channel=self.channel)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(5.0)
        self._bus.shutdown()

    def _serve(self) -> None:
        due: list[tuple[float, bytes]] = []
        while not self._stop.is_set():
            frame = self._bus.recv(0.01)
            if frame is not None and frame.data[0] >> 4 == 0:
                self.requests.append(clock())
                count = int((clock() - self._began) * 10.0)
                due.append((clock() + self.lag, self.answer + bytes([count % 256])))
            for each in [each for each in due if each[0] <= clock()]:
                due.remove(each)
                data = each[1].ljust(8, b"\0")
                self._bus.send(
                    can.Message(arbitration_id=self.says, data=data, is_extended_id=False)
                )


@pytest.mark.parametrize("tried", [False, True], ids=["watched", "tried before"])
def test_a_late_answer_is_as_old_as_its_question(
    monkeypatch: pytest.MonkeyPatch, tried: bool
) -> None:
    """With waits of 0.2 s, as a unit of 3 s would be met with waits of a second."""
    monkeypatch.setattr(canlink, "ANSWER_BY", 0.8)
    channel = f"late{tried}"
    text = f"uds:virtual:{channel}?tx=7E1&rx=7E9&did=1940&length=1&scale=0.1&offset=-40&period=0.1"
    heard: list[Reading] = []
    with Lagging(channel, 0.6) as unit:
        if tried:
            assert not try_source(text, 0.2).ok
        with Watch(build(text), timeout=0.2, stale_after=0.4) as watch:
            watch.listen(heard.append)
            end = time.monotonic() + 8.0
            while len(heard) < 3 and time.monotonic() < end:
                # what was measured longer ago than that is never current
                now = watch.status().current
                assert now is None or clock() - unit.measured(now) < 0.4 + 0.15
                time.sleep(0.02)
    assert len(heard) >= 3
    # the first waits for one that agrees with it
    assert all(reading.good for reading in heard[1:])
    for reading in heard:
        # the byte holds whole tenths
        assert reading.monotonic == pytest.approx(unit.measured(reading), abs=0.15)


def test_nothing_is_asked_while_an_answer_may_still_come(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(canlink, "ANSWER_BY", 0.6)
    source = build("legislated:virtual:mute?pid=05&period=0.1")
    with Lagging("mute", 60.0) as unit, Watch(source, timeout=0.1):
        time.sleep(1.6)
        gaps = [b - a for a, b in zip(unit.requests, unit.requests[1:], strict=False)]
    assert len(unit.requests) >= 2
    assert min(gaps) > 0.6


def test_a_unit_that_answers_again_is_current_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(canlink, "ANSWER_BY", 0.6)
    text = "uds:virtual:again?tx=7E1&rx=7E9&did=1940&length=1&scale=0.1&offset=-40&period=0.1"
    with Lagging("again", 60.0) as unit, Watch(build(text), timeout=0.1) as watch:
        time.sleep(0.3)
        unit.lag = 0.0
        status = watch.status()
        end = time.monotonic() + 5.0
        while status.state != "fresh" and time.monotonic() < end:
            status = watch.wait(status, 0.5)
    assert status.state == "fresh"


def test_a_trial_asks_no_faster_than_the_period() -> None:
    """A first frame under a request to all cannot be answered, and refuses at once."""
    with Lagging("long", 0.0, says=0x7E8, answer=b"\x10\x14\x41\x05") as unit:
        trial = try_source("legislated:virtual:long?pid=05&period=0.5", 1.2)
    assert not trial.ok
    assert 1 <= len(unit.requests) <= 3
    assert len(trial.said) == 2
    assert "too long to be fetched" in trial.said[1]


def test_a_silence_is_told_in_round_numbers_and_to_nobody_else(
    capfd: pytest.CaptureFixture[str],
) -> None:
    trial = try_source("uds:virtual:nobody?tx=7E1&rx=7E9&did=1940", 0.3)
    assert trial.said == (
        "opened",
        "7E9 did not answer within 0.3 s; "
        "check the plug, that the ignition is on, and the identifiers",
    )
    assert capfd.readouterr() == ("", "")


def test_a_message_of_every_second_is_not_missed_between_two(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """SAE J1939-71: PGN 65272 comes once a second, here and there a little later."""
    troubles: list[LinkTrouble] = []
    monkeypatch.setattr("sumpwright.link.j1939.OVERDUE", 0.5)
    source = build("j1939:virtual:second")
    source.open()
    with can.Bus(interface="virtual", channel="second") as gearbox:
        data = bytes.fromhex("FFFFFFFF4027FFFF")
        frame = can.Message(arbitration_id=0x18FEF803, data=data, is_extended_id=True)
        for gap in (0.22, 0.22, 0.7):
            threading.Timer(gap, gearbox.send, (frame,)).start()
            for _ in range(5):
                try:
                    source.read(0.2)
                except LinkTrouble as trouble:
                    troubles.append(trouble)
                else:
                    break
    source.close()
    said = [trouble.what for trouble in troubles]
    assert said[:2] == ["", ""]
    assert said[-1] == "the message of the transmission fluids does not come"
