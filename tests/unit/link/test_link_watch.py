"""A watch never calls an old reading current, and comes back by itself."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator

import anyio
import pytest

from sumpwright.link.hand import Hand
from sumpwright.link.plausible import DIRECT
from sumpwright.link.source import STALE_AFTER, Decoded, Ended, LinkDown, Reading, Silence
from sumpwright.link.watch import Status, Watch


class Probe:
    """A thermometer on the bench: the test says what it does at each step."""

    name, caution, direct = "probe", "", False
    period, stale_after = 0.01, 0.3

    def __init__(self) -> None:
        self.act: Callable[[], float] = lambda: 310.0
        self.opens = 0
        self.open_fails: Exception | None = None
        self.closed = threading.Event()

    def open(self) -> None:
        self.opens += 1
        self.closed.clear()
        if self.open_fails is not None:
            raise self.open_fails

    def read(self, timeout: float) -> Reading:
        del timeout
        return Decoded(self.act(), "raw").reading(self.name)

    def close(self) -> None:
        self.closed.set()


def fails(error: Exception) -> Callable[[], float]:
    def act() -> float:
        raise error

    return act


def until(watch: Watch, wanted: Callable[[Status], bool], limit: float = 20.0) -> Status:
    """Follow `watch` until `wanted`; every status on the way has to be honest."""
    end = time.monotonic() + limit
    status = watch.status()
    while not wanted(status):
        assert time.monotonic() < end, f"never came: {status}"
        status = watch.wait(status, 0.5)
        assert (status.current is None) is (status.state != "fresh")
        if status.current is not None:
            assert status.age is not None
            assert status.age < watch.stale_after
    return status


@pytest.fixture
def probe() -> Iterator[Probe]:
    made = Probe()
    yield made
    assert made.closed.wait(5.0) or made.opens == 0


def test_the_page_has_time_to_say_stale_within_two_seconds() -> None:
    # Watch.follow looks every 0.1 s
    assert STALE_AFTER + 0.1 < 2.0


def test_it_goes_from_waiting_to_fresh_to_stale_to_lost_and_back(probe: Probe) -> None:
    with Watch(probe, lost_after=0.6, pause=(0.01, 0.05)) as watch:
        fresh = until(watch, lambda s: s.state == "fresh")
        assert fresh.current is not None
        assert fresh.trouble == ""
        probe.act = fails(Silence("nobody answers", "check the plug"))
        stale = until(watch, lambda s: s.state == "stale")
        assert stale.current is None
        assert stale.last is not None
        assert stale.trouble == "nobody answers"
        assert stale.do == "check the plug"
        until(watch, lambda s: s.state == "lost")
        opens = probe.opens
        until(watch, lambda _: probe.opens > opens)
        probe.act = lambda: 311.0
        again = until(watch, lambda s: s.state == "fresh")
        assert again.current is not None
        assert again.current.kelvin == 311.0
        assert again.trouble == ""


def test_a_source_that_hangs_goes_stale_all_the_same(probe: Probe) -> None:
    release = threading.Event()
    with Watch(probe) as watch:
        until(watch, lambda s: s.state == "fresh")

        def hang() -> float:
            release.wait(20.0)
            return 310.0

        probe.act = hang
        until(watch, lambda s: s.state == "stale")
        release.set()
        until(watch, lambda s: s.state == "fresh")


@pytest.mark.parametrize("error", [LinkDown("unplugged", "plug in"), ValueError("a driver's own")])
def test_a_lost_link_is_opened_again(probe: Probe, error: Exception) -> None:
    with Watch(probe, pause=(0.01, 0.02)) as watch:
        until(watch, lambda s: s.state == "fresh")
        probe.act = fails(error)
        down = until(watch, lambda s: bool(s.trouble) and not s.connected)
        assert str(error) in down.trouble
        before = probe.opens
        until(watch, lambda _: probe.opens >= before + 2)
        probe.act = lambda: 310.0
        until(watch, lambda s: s.state == "fresh" and s.connected)


def test_the_pause_before_opening_again_grows_to_its_longest(probe: Probe) -> None:
    probe.open_fails = LinkDown("not there")
    with Watch(probe, pause=(0.001, 0.004)) as watch:
        until(watch, lambda _: probe.opens >= 8)
        assert watch.status().trouble == "not there"
        probe.open_fails = None
        until(watch, lambda s: s.state == "fresh")


def test_a_doubted_reading_is_shown_but_never_current(probe: Probe) -> None:
    with Watch(probe) as watch:
        until(watch, lambda s: s.state == "fresh")
        probe.act = lambda: 700.0
        refused = until(watch, lambda s: s.refused is not None)
        assert refused.refused is not None
        assert "outside" in refused.refused.doubt
        stale = until(watch, lambda s: s.state == "stale")
        assert stale.last is not None
        assert stale.last.kelvin == 310.0


def test_the_end_of_a_log_ends_the_watch(probe: Probe) -> None:
    heard: list[Reading] = []
    values = iter([310.0, 310.1, 310.2])

    def act() -> float:
        try:
            return next(values)
        except StopIteration:
            raise Ended("over") from None

    probe.act = act
    watch = Watch(probe)
    watch.listen(heard.append)
    with watch:
        ended = until(watch, lambda s: s.ended)
    assert ended.trouble == "over"
    assert [reading.kelvin for reading in heard] == [310.0, 310.1, 310.2]
    assert [reading.good for reading in heard] == [False, True, True]
    assert [reading.kelvin for reading in watch.recent()] == [310.1, 310.2]
    assert probe.opens == 1


def test_a_listener_that_fails_does_not_stop_the_watch(probe: Probe) -> None:
    calls: list[float] = []

    def bad(reading: Reading) -> None:
        calls.append(reading.kelvin)
        raise RuntimeError("disk full")

    watch = Watch(probe)
    watch.listen(bad)
    with watch:
        until(watch, lambda s: s.count > 3)
    assert len(calls) == 1


def test_recent_is_bounded_in_number_and_time(probe: Probe) -> None:
    with Watch(probe, keep=5) as watch:
        until(watch, lambda s: s.count > 8)
    kept = watch.recent()
    assert len(kept) == 5
    assert len(watch.recent(0.0)) == 1
    assert list(kept) == sorted(kept, key=lambda reading: reading.seconds)


def test_a_typed_reading_is_taken_at_once_and_any_jump_with_it() -> None:
    hand = Hand(stale_after=0.2)
    with Watch(hand) as watch:
        assert watch.status().state == "waiting"
        for celsius in (20.0, 45.0):
            hand.put(celsius + 273.15)
            got = until(
                watch, lambda s, c=celsius: s.last is not None and abs(s.last.celsius - c) < 1e-6
            )
            assert got.trouble == ""
        until(watch, lambda s: s.state == "stale")
        hand.put(1000.0)
        refused = until(watch, lambda s: s.refused is not None)
        assert refused.current is None


def test_following_tells_of_every_change_and_of_growing_age(probe: Probe) -> None:
    probe.direct = True

    async def run() -> list[str]:
        states: list[str] = []
        with Watch(probe, limits=DIRECT, lost_after=0.6) as watch:
            with anyio.fail_after(20.0):
                async for status in watch.follow(every=0.2, look=0.01):
                    if not states or states[-1] != status.state:
                        states.append(status.state)
                    if status.state == "fresh":
                        probe.act = fails(Silence("gone"))
                    if status.state == "lost":
                        break
        return states

    states = anyio.run(run)
    assert states[-3:] == ["fresh", "stale", "lost"]


def test_stopping_ends_the_follower(probe: Probe) -> None:
    async def run() -> int:
        told = 0
        watch = Watch(probe).start()
        with anyio.fail_after(20.0):
            async for _ in watch.follow(every=0.05, look=0.01):
                told += 1
                if told == 3:
                    watch.stop()
        return told

    assert anyio.run(run) >= 3
