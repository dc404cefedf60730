"""The printed record: its numbers, its order, and texts that try to break out."""

from __future__ import annotations

import hashlib
import io
import json
import re
from datetime import datetime, timedelta, timezone
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader

from sumpwright.display import Display
from sumpwright.errors import Complaint
from sumpwright.paper.log_chart import log_chart, window_of
from sumpwright.paper.pictures import Vial, prepare, upright, vials_on
from sumpwright.paper.record import record_json, record_pdf
from sumpwright.records.chain import Event
from sumpwright.web.views.bay import standing_data
from sumpwright.web.views.show import Show
from unit.paper import jobs

EUR = Display(currency="EUR")


def text_of(pdf: bytes) -> str:
    pages = PdfReader(io.BytesIO(pdf)).pages
    text = "\n".join(page.extract_text() for page in pages).replace("\u200b", "")
    return re.sub(r"\s+", " ", text)


def printed(events: list[Event], display: Display = EUR, **more: object) -> str:
    return text_of(record_pdf(jobs.standing(events), events, display, at=jobs.PRINTED, **more))  # type: ignore[arg-type]


def test_who_left_no_name_leaves_no_gap() -> None:
    row = {"sha256": "ab" * 32, "caption": "plug", "at": "noon", "by": ""}
    (picture,) = prepare([row], {}, str)[1]
    assert picture["caption"] == "plug (noon); the picture is kept apart under abababababab"


def test_a_vial_that_is_left_out_is_dashed_on_its_photograph() -> None:
    data = record_json(jobs.standing(jobs.full()), jobs.full())
    corners = [[10, 10], [60, 10], [60, 90], [10, 90]]
    kept = {"photograph": "ab", "outline": corners, "patch": None}
    data["samples"] = [{**sample, **kept} for sample in data["samples"]]
    vials = vials_on(data, Display())["ab"]
    assert [v.counts for v in vials] == [s["left_out"] is None for s in data["samples"]]
    assert {v.counts for v in vials} == {True, False}
    image = io.BytesIO()
    Image.new("RGB", (120, 100)).save(image, "PNG")
    for vial in vials:
        drawn = (upright(image.getvalue(), [vial]) or b"").decode()
        assert ("left out" in drawn) is not vial.counts
        assert ('stroke-dasharray="none"' in drawn) is vial.counts


def test_the_reason_of_a_sample_left_out_is_printed(full: str) -> None:
    for doubt in jobs.standing(jobs.full()).belief.doubts:
        sentence = doubt.sentence
        assert f"{sentence[0].upper()}{sentence[1:]}." in full
    assert "Hollow samples are left out of the estimate; why, is said below." in full
    assert "LEFT OUT" not in printed(jobs.minimal())


@pytest.fixture(scope="module")
def full() -> str:
    return printed(jobs.full())


def test_record_says_everything(full: str) -> None:
    events = jobs.full()
    for said in (
        "Carrier 2",
        "gearbox, torque-converter automatic",
        "Invented data",
        "by Ines, Tomas",
        "84 132 km",
        "no leak after the drive",
        "drained 4.10 −4.10",
        "4.20 +0.10",
        "13.82 13.80 −0.02",
        "41.2 °C",
        "5.5 °C",
        "27.0 41.0 27.0 in",
        "50.0–55.0 65.0 OUT",
        "calibrated 2024-11-05",
        "crush washer: new",
        "NOT renewed",
        "1 1 what came out last 52 % ± 3.0 % LEFT OUT from the end of the stream",
        "Exhaust led away worked in the open yard",
        "In this job the step was ticked as done.",
        "Fine grey paste on the magnet, no chips. Wiped clean.",
        "filled 1.40 L of Cable Green 7, lot L12",
        "47.90 EUR",
        "9.00–9.60 L",
        "filled from dry",
        "service manual p. 41",
        "common practice, no source",
        "licensed collector",
        f"holds {len(events)} entries",
        "page 1 of",
        "printed 2025-03-02 18:00 UTC",
    ):
        assert said in full, said
    assert events[-1].hash in full.replace(" ", "")


def test_verdict_is_the_course(full: str) -> None:
    standing = jobs.standing(jobs.full())
    data = record_json(standing, jobs.full(), jobs.PRINTED)
    verdict = data["verdict"]
    assert verdict["fresh"] == standing.course.fresh_quantiles.to_json()
    assert (
        f"{EUR.share(verdict['fresh']['p50'])} of the fluid is new (90 % sure of at least "
        f"{EUR.share(verdict['sure_of'])})."
    ) in full
    # The share that is exceeded with 90 % probability, counted over the draws.
    course = standing.course
    above = course.weights[course.fresh >= verdict["sure_of"]].sum()
    _, alike = np.unique(course.fresh, return_inverse=True)
    grain = np.bincount(alike, weights=course.weights).max()
    assert grain < 0.01
    assert above == pytest.approx(0.90, abs=grain)


def test_us_units_on_letter() -> None:
    events = jobs.full()
    pdf = record_pdf(
        jobs.standing(events), events, Display("us"), paper="us-letter", at=jobs.PRINTED
    )
    text = text_of(pdf)
    for said in ("out, US qt", "4.33", "target, lbf·ft", "19.9", "106.2 °F", "52 277 mi"):
        assert said in text, said
    box = PdfReader(io.BytesIO(pdf)).pages[0].mediabox
    assert (float(box.width), float(box.height)) == pytest.approx((612, 792))


def test_a_record_with_decimal_commas() -> None:
    text = printed(jobs.full(), comma=True)
    for said in ("4,10", "41,2 °C"):
        assert said in text, said
    assert not re.search(r"[0-9]\.[0-9]", text)


def test_minimal_job_is_short_and_has_no_empty_tables() -> None:
    events = jobs.minimal()
    pdf = record_pdf(jobs.standing(events), events, at=jobs.PRINTED)
    text = text_of(pdf)
    assert len(PdfReader(io.BytesIO(pdf)).pages) <= 2
    assert "does not record that it was done" in text
    assert "Nothing was entered for: readings, fasteners, samples." in text
    for absent in (
        "Readings when",
        "Notes",
        "Corrections",
        "Photographs",
        "To look at",
        "Invented",
    ):
        assert absent not in text


def test_opened_and_nothing_else() -> None:
    text = printed(jobs.log([], jobs.carrier()))
    assert "No new fluid has been put in." in text
    assert "No fluid has been moved." in text
    assert "still open" in text
    assert "holds 1 entry" in text


def test_hostile_text_is_only_text() -> None:
    events = jobs.hostile()
    assert len(events) == 60
    pdf = record_pdf(jobs.standing(events), events, at=jobs.PRINTED)
    text = text_of(pdf)
    squeezed = text.replace(" ", "")
    assert "#strike[x]$x^2$<label>@ref*b*_i_`c`\\\\//" in squeezed.replace("\\", "\\\\")
    assert "W" * 24 in squeezed
    assert "漢字かな交じり文" in squeezed
    assert "done" in text
    assert len(PdfReader(io.BytesIO(pdf)).pages) < 12


def test_hostile_text_stays_on_the_page() -> None:
    events = jobs.hostile()
    pdf = record_pdf(jobs.standing(events), events, at=jobs.PRINTED)
    for page in PdfReader(io.BytesIO(pdf)).pages:
        right: list[float] = []

        def note(text: str, _cm: list, tm: list, *_rest: object, right: list = right) -> None:
            if text.strip():
                right.append(tm[4])

        page.extract_text(visitor_text=note)
        assert max(right) < float(page.mediabox.width)


def test_undone_entries_count_for_nothing() -> None:
    data = record_json(jobs.standing(jobs.full()), jobs.full(), jobs.PRINTED)
    assert [u["body"]["volume"] for u in data["undone"]] == [1.4e-3]
    assert data["undone"][0]["undone_by"] == "Tomas"
    assert data["totals"]["in_l"] == pytest.approx(13.8)
    assert all(step["in_l"] != 1.4 for step in data["fluid_steps"])


def test_json_balances_and_is_plain() -> None:
    standing = jobs.standing(jobs.full())
    data = record_json(standing, jobs.full(), jobs.PRINTED)
    json.dumps(data)
    steps = data["fluid_steps"]
    net = sum(s["in_l"] - s["out_l"] - s["lost_l"] for s in steps)
    assert net == pytest.approx(data["totals"]["net_l"])
    assert steps[-1]["balance_l"] == pytest.approx(net)
    assert sum(f["volume_l"] for f in data["fluids"]) == pytest.approx(data["totals"]["in_l"])
    assert sum(data["composition"].values()) == pytest.approx(1.0)
    assert max(s["cycle"] for s in steps) == standing.state.cycles == 4
    origins = {b["name"]: b["origin"] for b in data["basis"]}
    assert origins["sump"] == "measured"
    assert origins["pickup_reserve"] == "manual"
    assert origins["cooler_loop"] == "assumed"
    assert origins["sweep_share"] == "assumed"
    assert data["chain"] == {"events": 30, "head": jobs.full()[-1].hash}


def test_same_job_same_bytes() -> None:
    events = jobs.full()
    first, second = (record_pdf(jobs.standing(events), events, at=jobs.PRINTED) for _ in range(2))
    assert first == second
    later = record_pdf(jobs.standing(events), events, at=jobs.PRINTED + timedelta(days=1))
    assert later != first


def test_local_time_where_asked_for() -> None:
    zone = timezone(timedelta(hours=2), "CEST")
    text = printed(jobs.minimal(), zone=zone)
    assert "begun 2025-03-01 11:37 CEST" in text
    assert "printed 2025-03-02 20:00 CEST" in text


def test_unknown_paper() -> None:
    events = jobs.minimal()
    with pytest.raises(Complaint, match="us-letter"):
        record_pdf(jobs.standing(events), events, paper="a5")  # type: ignore[arg-type]


def test_photographs_are_shown_or_named() -> None:
    made = io.BytesIO()
    Image.new("RGB", (3000, 900), "#336655").save(made, "PNG")
    good, bad = made.getvalue(), b"\x89PNG not a picture"
    names = [hashlib.sha256(data).hexdigest() for data in (good, bad)]
    entries = [
        ("photographed", {"attachment": names[0], "caption": "the magnet"}),
        ("photographed", {"attachment": names[1]}),
        ("photographed", {"attachment": "0" * 64, "caption": "lost"}),
    ]
    events = jobs.log(entries, jobs.carrier())
    pdf = record_pdf(
        jobs.standing(events),
        events,
        at=jobs.PRINTED,
        photographs=dict(zip(names, (good, bad), strict=True)),
    )
    reader = PdfReader(io.BytesIO(pdf))
    images = [image for page in reader.pages for image in page.images]
    assert len(images) == 1
    assert max(images[0].image.size) == 1400  # type: ignore[union-attr]
    text = text_of(pdf)
    assert "the magnet" in text
    assert f"kept apart under {names[1][:12]}" in text
    assert "kept apart under 000000000000" in text


def test_date_must_not_be_needed() -> None:
    events = jobs.minimal()
    before = datetime.now().astimezone()
    made = record_json(jobs.standing(events), events)["made_at"]
    assert datetime.fromisoformat(made) >= before


def test_the_temperature_log_is_drawn_with_the_window_and_the_plug() -> None:
    t = np.arange(0.0, 600.0, 5.0) + jobs.START.timestamp()
    kelvin = 300.15 + (t - t[0]) / 40.0
    log = {
        "attachment": "ab" * 32,
        "what": "temperature",
        "readings": 1200,
        "lowest": 300.15,
        "highest": 315.0,
        "seconds": 595.0,
        "source": "gearbox sensor",
    }
    # The log is kept at 9:44, minutes after its last reading, and the plug at one stroke with it.
    events = jobs.log([("logged", log), ("+did", {"step": "level"})], jobs.carrier())
    with_log = printed(events, logs={"ab" * 32: (t, kelvin)})
    assert "Temperature while the level was set" in with_log
    assert "window 38 °C to 46 °C, shaded; plug fitted after 10 min at 41.9 °C" in with_log
    assert "plug fitted, 41.9 °C" in with_log
    assert "1 200 readings from gearbox sensor" in with_log
    assert "27" in printed(events, Display(), logs={"ab" * 32: (t, kelvin)})
    fahrenheit = printed(events, Display("us"), logs={"ab" * 32: (t, kelvin)})
    assert "plug fitted, 107.4 °F" in fahrenheit
    without = printed(events)
    assert "kept 2025-03-01 09:44 UTC; not drawn here." in without
    assert "plug fitted" not in without
    (kept,) = record_json(jobs.standing(events), events, jobs.PRINTED)["temperature_logs"]
    assert (kept["sha256"], kept["readings"]) == ("ab" * 32, 1200)


def test_the_plug_stands_at_its_moment_in_a_log_that_went_on() -> None:
    t = np.arange(0.0, 3600.0, 10.0) + jobs.START.timestamp()
    body = {"attachment": "cd" * 32, "what": "temperature", "readings": t.size}
    body |= {"lowest": 300.0, "highest": 336.0, "seconds": 3590.0}
    entries = [("did", {"step": "level"}), ("logged", body)]
    events = jobs.log(entries, jobs.carrier())
    (row,) = record_json(jobs.standing(events), events)["temperature_logs"]
    chart = log_chart(row, t, 300.0 + (t - t[0]) / 100.0, (311.15, 319.15)).to_dict()
    (plug,) = chart["datasets"]["plug"]
    assert plug["at"] == pytest.approx(14.0)
    assert plug["value"] == pytest.approx(300.0 + 8.4 - 273.15)
    (band,) = chart["datasets"]["band"]
    assert (band["low"], band["high"]) == pytest.approx((38.0, 46.0))
    given = [("read", {"what": f"window {w}", "value": v, "unit": "K"}) for w, v in GIVEN]
    events = jobs.log([*given, *entries], jobs.carrier())
    assert window_of(record_json(jobs.standing(events), events)) == (330.0, 335.0)


GIVEN = (("opens", 330.0), ("closes", 335.0))


def test_vials_are_drawn_where_they_stand_on_a_photograph() -> None:
    out = io.BytesIO()
    Image.new("RGB", (2800, 1400), "white").save(out, "JPEG")
    corners = [[200.0, 300.0], [600.0, 300.0], [600.0, 900.0], [200.0, 900.0]]
    vials = [Vial("<B>", "9.0 % ± 3.0 %", corners, "#ffbc00")]
    drawn = upright(out.getvalue(), vials)
    assert drawn is not None
    svg = ElementTree.fromstring(drawn.decode())
    space = "{http://www.w3.org/2000/svg}"
    points = [p.get("points") for p in svg.iter(f"{space}polygon")]
    assert points == ["100.0,150.0 300.0,150.0 300.0,450.0 100.0,450.0"] * 2
    assert [t.text for t in svg.iter(f"{space}text")] == ["<B>", "9.0 %", "± 3.0 %"]
    for rect in svg.iter(f"{space}rect"):
        assert float(rect.get("x", "-1")) >= 0
        assert float(rect.get("y", "0")) + float(rect.get("height", "0")) <= 700
    assert upright(b"no picture", vials) is None


def test_shell_page_and_record_tell_one_chance_in_the_middle_of_a_cycle() -> None:
    entries = [
        ("drained", {"volume": 4.1e-3}),
        ("filled", {"volume": 4.1e-3, "fluid": jobs.FLUID}),
        ("drove", {}),
        ("drained", {"volume": 3.0e-3}),
    ]
    events = jobs.log(entries, jobs.carrier(), target=0.44, confidence=0.9)
    standing = jobs.standing(events)
    # The refill would make it sure; what stands in there now is not.
    assert "Then: Stop: at least 44 % is then fresh with 100 %" in standing.advice.sentence
    now = float(np.mean(standing.course.fresh >= 0.44))
    assert 0.1 < now < 0.9
    assert standing.to_json()["probability"] == pytest.approx(now)
    assert record_json(standing, events)["verdict"]["probability"] == pytest.approx(now)
    assert standing_data(standing, Show(EUR))["sure_text"] == EUR.share(now)
