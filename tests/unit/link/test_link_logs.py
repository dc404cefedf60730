"""Logs: CSV in many layouts, compressed soak logs, thinning for a plot."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from sumpwright.errors import Complaint
from sumpwright.link.csvlog import HEADING, Columns, Recorder, rows, taken
from sumpwright.link.soak import SoakFile, SoakWriter, pack, read_soak, unpack
from sumpwright.link.source import Reading
from sumpwright.link.thin import thin

EIGHT = datetime(2024, 5, 1, 8, 0, tzinfo=UTC).timestamp()
LAYOUTS = [
    ("0,20.5\n1,21\n", [0, 1]),
    ("0;20,5\n1;21,0\n", [0, 1]),
    ("0,0\t20,5\n1,0\t21,0\n", [0, 1]),
    ("time,temperature\n0.0,20.5\n1.0,21\n", [0, 1]),
    ("# a note\nSeconds;Temp [°C];Note\n0;20,5;a\n\n1;21;b\n", [0, 1]),
    ("temp_c,t\n20.5,0\n21,1\n", [0, 1]),
    ("Time,Oil Temperature (F)\n0,68.9\n1,69.8\n", [0, 1]),
    ("t,temperature (K)\n0,293.65\n1,294.15\n", [0, 1]),
    ('"time","temperature"\n"0","20.5"\n"1","21"\n', [0, 1]),
    ("\ufefftime;temperature\r\n00:00:00;20,5\r\n00:00:01;21,0\r\n", [0, 1]),
    ("time;temperature\n08:00;20,5\n08:01;21,0\n", [28800, 28860]),
    ("time,temp\n23:59:59.5,20.5\n00:00:00.5,21\n", [86399.5, 86400.5]),
    ("timestamp,temp\n2024-05-01T08:00:00Z,20.5\n2024-05-01T08:00:01Z,21\n", [EIGHT, EIGHT + 1]),
    (
        "timestamp,temp\n2024-05-01 10:00:00+02:00,20.5\n2024-05-01 10:00:01+02:00,21\n",
        [EIGHT, EIGHT + 1],
    ),
    ("date;time;temp\n01.05.2024;08:00:00;20,5\n01.05.2024;08:00:01;21\n", [EIGHT, EIGHT + 1]),
    (
        "Datum;Zeit;Temperatur\n2024-05-01;08:00:00;20,5\n2024-05-01;08:00:01,0;21\n",
        [EIGHT, EIGHT + 1],
    ),
    (f"timestamp,temp\n{EIGHT},20.5\n{EIGHT + 1},21\n", [EIGHT, EIGHT + 1]),
]


@pytest.mark.parametrize(("text", "seconds"), LAYOUTS)
def test_layouts(tmp_path: Path, text: str, seconds: list[float]) -> None:
    log = tmp_path / "log.csv"
    log.write_text(text, encoding="utf-8", newline="")
    found = list(rows(log))
    assert [row.doubt for row in found] == ["", ""]
    assert [row.seconds for row in found] == pytest.approx(seconds)
    assert [row.kelvin - 273.15 for row in found] == pytest.approx([20.5, 21.0])


CHOICES = [
    ("Zeit;Batterie;Getriebe °C\n0;12,6;41\n", "getriebe °c"),
    ("Time (ms),Coolant temp,Trans temp\n0,80,41\n", "trans temp"),
    ("time,Engine oil temp,Gear oil temp,Air temp\n0,90,41,20\n", "gear oil temp"),
    ("time,Engine oil temp,Oil temp\n0,90,41\n", "oil temp"),
    ("time,trans speed [rpm],trans temp\n0,900,41\n", "trans temp"),
    ("time,Öl,Wasser\n0,41,80\n", "öl"),
    ("time,ATF,engine\n0,41,80\n", "atf"),
    ("time,note,value\n0,cold,41\n", "value"),
    ("time,temp C,temp F\n0,41,105.8\n", "temp c"),
    ("unit,time,temp\nC,0,41\n", "temp"),
]


@pytest.mark.parametrize(("text", "name"), CHOICES)
def test_the_gearbox_is_found_among_other_columns(tmp_path: Path, text: str, name: str) -> None:
    log = tmp_path / "log.csv"
    log.write_text(text, encoding="utf-8")
    (row,) = rows(log)
    assert row.kelvin == pytest.approx(314.15)
    assert row.workings == f"41 °C from column {name!r}"
    assert taken(log) == f"Its temperature is the column {name!r}."


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("time,temp1,temp2\n0,20,41\n", ("temp1", "temp2")),
        ("time,trans temp in,trans temp out\n0,20,41\n", ("trans temp in", "trans temp out")),
        ("time,coolant temp,ambient temp\n0,20,41\n", ("coolant temp", "ambient temp")),
        ("time,volts,amps\n0,12,41\n", ("volts", "amps")),
        ("0,12.5,41\n1,12.5,42\n", ("2", "3")),
    ],
)
def test_columns_that_may_both_be_meant_are_asked_about(
    tmp_path: Path, text: str, named: tuple[str, str]
) -> None:
    log = tmp_path / "log.csv"
    log.write_text(text, encoding="utf-8")
    with pytest.raises(Complaint, match="more than one column") as asked:
        list(rows(log))
    assert all(name in asked.value.what for name in named)
    assert "temperature=" in asked.value.do
    (first, *_) = rows(log, Columns(temperature=named[1]))
    assert first.kelvin == pytest.approx(314.15)


@pytest.mark.parametrize(
    ("text", "celsius", "doubts"),
    [
        ("time,temp K\n0,314.15\n", [41.0], [""]),
        ("time,temp_F\n0,105.8\n", [41.0], [""]),
        ("time,temp,unit\n0,105.8,F\n1,41,°C\n2,314.15,K\n", [41.0] * 3, [""] * 3),
        ("time,temp,unit\n0,41,C\n1,41,bar\n2,41,\n", [41.0, None, 41.0], ["", "no unit", ""]),
        ("time,temp\n0,105.8 F\n1,41 °C\n2,41 V\n", [41.0, 41.0, None], ["", "", "not a num"]),
        ("time,temp °C,unit\n0,105.8,F\n", [None], ["told as °F and °C"]),
    ],
)
def test_the_unit_of_each_line_counts(
    tmp_path: Path, text: str, celsius: list[float | None], doubts: list[str]
) -> None:
    log = tmp_path / "log.csv"
    log.write_text(text, encoding="utf-8")
    found = list(rows(log))
    for row, wanted, doubt in zip(found, celsius, doubts, strict=True):
        assert doubt in row.doubt
        assert bool(doubt) is bool(row.doubt)
        assert wanted is None or row.kelvin - 273.15 == pytest.approx(wanted)


def test_a_unit_that_goes_against_the_one_that_is_set_is_refused(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("time,temp,unit\n0,105.8,F\n", encoding="utf-8")
    (row,) = rows(log, Columns(unit="C"))
    assert row.doubt == "its unit is told as °F and °C"
    log.write_text("time,temp_F\n0,105.8\n", encoding="utf-8")
    with pytest.raises(Complaint, match="says °F where °C is set"):
        list(rows(log, Columns(unit="C")))


@pytest.mark.parametrize(
    ("heading", "given", "seconds"),
    [
        ("Time (ms)", "", 2.0),
        ("time_ms", "", 2.0),
        ("t [µs]", "", 0.002),
        ("millis", "", 2.0),
        ("Zeit/min", "", 120_000.0),
        ("elapsed time [h]", "", 7_200_000.0),
        ("time [s]", "", 2000.0),
        ("seconds", "", 2000.0),
        ("time", "ms", 2.0),
    ],
)
def test_the_unit_of_the_time_counts(
    tmp_path: Path, heading: str, given: str, seconds: float
) -> None:
    log = tmp_path / "log.csv"
    log.write_text(f"{heading},temp\n1000,40\n2000,41\n3000,42\n", encoding="utf-8")
    columns = Columns(time_unit=given)
    assert list(rows(log, columns))[1].seconds == pytest.approx(seconds)
    assert taken(log, columns) == "Its temperature is the column 'temp'."


def test_a_time_that_may_be_milliseconds_is_said(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("time,temp\n1000,40\n2000,41\n3000,42\n", encoding="utf-8")
    assert "taken as seconds, 1000 from reading to reading" in taken(log)
    assert all("time_unit=ms" in row.workings for row in rows(log))
    # nobody means the year 50 000
    log.write_text(f"time,temp\n{EIGHT * 1000:.0f},40\n{EIGHT * 1000 + 500:.0f},41\n")
    assert [row.seconds - EIGHT for row in rows(log)] == pytest.approx([0.0, 0.5])


def test_columns_may_be_named_or_numbered(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("a,b,c\n1,300,20\n2,301,21\n", encoding="utf-8")
    for columns in (Columns("a", "c"), Columns("1", "3"), Columns("A", "C", "C")):
        assert [row.kelvin for row in rows(log, columns)] == [293.15, 294.15]
    assert [row.kelvin for row in rows(log, Columns("a", "b", "K"))] == [300.0, 301.0]
    with pytest.raises(Complaint, match="no column 'd'"):
        list(rows(log, Columns("a", "d")))


@pytest.mark.parametrize("text", ["", "\n\n# only notes\n", "lonely\n1\n2\n"])
def test_a_file_without_two_columns_is_complained_of(tmp_path: Path, text: str) -> None:
    log = tmp_path / "log.csv"
    log.write_text(text, encoding="utf-8")
    with pytest.raises(Complaint):
        list(rows(log))


def test_bad_lines_are_doubted_and_the_rest_is_read(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("time,temp\n0,20\n1,\n2,x\nlater,23\n4\n5,25\n", encoding="utf-8")
    found = list(rows(log))
    assert [bool(row.doubt) for row in found] == [False, True, True, True, True, False]


def test_a_line_shorter_than_its_heading_is_doubted(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("time,temp,note\n0,20,cold\n1,2", encoding="utf-8")
    assert [row.doubt for row in rows(log)] == ["", "only 2 of 3 fields"]


def reading(seconds: float, celsius: float, doubt: str = "") -> Reading:
    at = datetime.fromtimestamp(EIGHT + seconds, UTC)
    return Reading(at, seconds, seconds, celsius + 273.15, 'raw "1", 2', "probe", "", doubt)


def test_what_is_recorded_is_read_back(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    for part in ([reading(0.0, 20.5), reading(0.5, 99.0, "jumped")], [reading(1.0, -3.25)]):
        with Recorder(log) as recorder:
            for one in part:
                recorder.write(one)
            assert recorder.count == len(part)
    found = list(rows(log))
    assert [row.seconds - EIGHT for row in found] == pytest.approx([0.0, 0.5, 1.0])
    assert found[0].kelvin == pytest.approx(293.65)
    assert found[1].doubt == "jumped"
    assert found[2].kelvin == pytest.approx(269.9)
    assert log.read_text(encoding="utf-8").splitlines()[0] == ",".join(HEADING)


def test_a_torn_line_of_ours_is_never_a_reading(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    with Recorder(log) as recorder:
        recorder.write(reading(0.0, 37.25))
        recorder.write(reading(1.0, 37.5))
    whole = log.read_bytes()
    second = whole.rindex(b"\n", 0, -1) + 1
    for cut in range(second + 1, len(whole) - 1):
        log.write_bytes(whole[:cut])
        found = list(rows(log))
        good = [row for row in found if not row.doubt]
        assert good[0].kelvin == pytest.approx(310.4)
        assert all(row.kelvin == pytest.approx(310.65) for row in good[1:])
        with Recorder(log) as recorder:
            recorder.write(reading(2.0, 38.0))
        assert list(rows(log))[-1].kelvin == pytest.approx(311.15)


def test_someone_elses_file_is_not_written_to(tmp_path: Path) -> None:
    other = tmp_path / "sheet.csv"
    other.write_text("a,b\n", encoding="utf-8")
    with pytest.raises(Complaint, match="something else"):
        Recorder(other)
    with pytest.raises(Complaint, match="no log of temperatures"):
        SoakFile(other)
    assert other.read_text(encoding="utf-8") == "a,b\n"
    with pytest.raises(Complaint, match="cannot be written"):
        Recorder(tmp_path / "missing" / "log.csv")


@given(st.binary(max_size=400))
@settings(max_examples=300)
def test_any_bytes_are_read_or_complained_of(
    tmp_path_factory: pytest.TempPathFactory, data: bytes
) -> None:
    log = tmp_path_factory.getbasetemp() / "any.csv"
    log.write_bytes(data)
    try:
        found = list(rows(log))
    except Complaint:
        return
    assert all(bool(row.doubt) is (row.kelvin != row.kelvin) for row in found)


times = st.lists(st.floats(0, 1e10), min_size=0, max_size=50).map(sorted)


@given(times, st.data(), st.integers(1, 7))
def test_soak_keeps_milliseconds_and_millikelvins(
    seconds: list[float], data: st.DataObject, block: int
) -> None:
    kelvin = data.draw(arrays(float, len(seconds), elements=st.floats(0.0, 10_000.0)))
    file = io.BytesIO()
    with SoakWriter(file, block) as soak:
        for when, value in zip(seconds, kelvin.tolist(), strict=True):
            soak.add(when, value)
    back = unpack(file.getvalue())
    np.testing.assert_allclose(back[0], seconds, rtol=0, atol=0.00051)
    np.testing.assert_allclose(back[1], kelvin, rtol=0, atol=0.00051)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -1.0, 1e9])
def test_soak_refuses_what_is_no_temperature(value: float) -> None:
    with pytest.raises((ValueError, OverflowError)):
        SoakWriter(io.BytesIO()).add(0.0, value)


def test_a_soak_log_cut_anywhere_gives_its_whole_blocks() -> None:
    seconds = np.arange(60.0)
    file = io.BytesIO()
    with SoakWriter(file, 20) as soak:
        for when in seconds:
            soak.add(float(when), 300.0 + float(when))
    whole = file.getvalue()
    ends = []
    probe = io.BytesIO(whole)
    for _ in read_soak(probe):
        ends.append(probe.tell())
    assert ends[-1] == len(whole)
    for cut in range(len(whole)):
        back = unpack(whole[:cut])[0]
        blocks = sum(end <= cut for end in ends)
        np.testing.assert_array_equal(back, seconds[: 20 * blocks])


@given(st.integers(0, 10_000), st.integers(1, 255))
def test_a_flipped_bit_never_makes_another_temperature(position: int, flip: int) -> None:
    kelvin = 300.0 + np.sin(np.arange(90.0))
    file = io.BytesIO()
    with SoakWriter(file, 30) as soak:
        for when, value in enumerate(kelvin.tolist()):
            soak.add(float(when), value)
    spoilt = bytearray(file.getvalue())
    spoilt[position % len(spoilt)] ^= flip
    try:
        back = unpack(bytes(spoilt))
    except Complaint:
        return
    assert back[0].size in (0, 30, 60, 90)
    np.testing.assert_allclose(back[1], kelvin[: back[1].size], atol=0.00051)


def test_a_soak_file_is_whole_at_any_moment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "drive.soak"
    with SoakFile(path) as soak:
        for second in range(150):
            # a reading a second, by the clock that says when to write
            monkeypatch.setattr("sumpwright.link.soak.monotonic", lambda now=second: float(now))
            soak.write(reading(float(second), 40.0 + second / 10.0))
            # as a crash would leave it: at most the last five seconds are missing
            seconds, _ = unpack(path.read_bytes())
            assert np.diff(seconds) == pytest.approx(1.0)
            assert second - 5 < seconds.size <= second + 1
            assert seconds.size > 0
    assert unpack(path.read_bytes())[0].size == 150
    # what was written early takes no room in the end: three blocks of up to a minute
    assert len(list(read_soak(io.BytesIO(path.read_bytes())))) == 3


def test_a_soak_file_goes_on_after_a_torn_block(tmp_path: Path) -> None:
    path = tmp_path / "drive.soak"
    for start in (0, 100):
        with SoakFile(path) as soak:
            for second in range(start, start + 70):
                soak.write(reading(float(second), 40.0))
            soak.write(reading(start + 70.0, 99.0, "doubted"))
        with path.open("ab") as file:
            file.write(b"SWL1 torn")
    seconds, kelvin = unpack(path.read_bytes())
    assert seconds.size == 140
    assert kelvin == pytest.approx(313.15)


curves = arrays(float, st.integers(0, 400), elements=st.floats(-1e3, 1e3))


@given(curves, st.integers(1, 30), st.data())
def test_thinning_keeps_ends_extremes_and_order(
    y: np.ndarray, buckets: int, data: st.DataObject
) -> None:
    steps = data.draw(arrays(float, y.size, elements=st.floats(0.0, 10.0)))
    x = np.cumsum(steps)
    few_x, few_y = thin(x, y, buckets)
    assert few_x.size <= min(x.size, 2 * buckets + 2)
    if not x.size:
        return
    assert (few_x[0], few_x[-1]) == (x[0], x[-1])
    assert (few_y[0], few_y[-1]) == (y[0], y[-1])
    assert (few_y.min(), few_y.max()) == (y.min(), y.max())
    assert np.all(np.diff(few_x) >= 0)
    assert set(zip(few_x, few_y, strict=True)) <= set(zip(x, y, strict=True))


@given(curves.filter(lambda y: y.size > 50), st.integers(1, 20))
def test_the_outline_of_each_stretch_is_kept(y: np.ndarray, buckets: int) -> None:
    x = np.arange(float(y.size))
    few_x, few_y = thin(x, y, buckets)
    width = (x[-1] - x[0]) / buckets
    for bucket in range(buckets):
        low, high = bucket * width, (bucket + 1) * width
        inside = (x > low + 1e-9) & (x < high - 1e-9)
        kept = (few_x >= low - 1e-9) & (few_x <= high + 1e-9)
        if inside.any():
            assert few_y[kept].max() >= y[inside].max()
            assert few_y[kept].min() <= y[inside].min()


def test_gaps_are_left_out_and_shapes_checked() -> None:
    x, y = thin(np.arange(4.0), np.array([1.0, np.nan, np.inf, 2.0]), 10)
    assert y.tolist() == [1.0, 2.0]
    with pytest.raises(ValueError, match="length"):
        thin(x, np.zeros(9), 3)
    with pytest.raises(ValueError, match="bucket"):
        thin(x, y, 0)


def test_a_day_at_one_hertz_is_kept_small() -> None:
    t = EIGHT + np.arange(86_400.0)
    kelvin = 273.15 + 80.0 - 60.0 * np.exp(-np.arange(86_400.0) / 900.0)
    kelvin = 273.15 + np.round((kelvin - 273.15) / 0.03125) * 0.03125
    kept = pack(t, kelvin)
    assert len(kept) < 16 * t.size / 100
    back = unpack(kept)
    np.testing.assert_allclose(back[1], kelvin, atol=0.00051)
