"""The page that reads a photographed row of samples."""

from __future__ import annotations

import io
import re
from html import unescape
from xml.etree import ElementTree

import httpx
import numpy as np
import pytest
from PIL import Image

from photographs.plain import plain_picture, plain_row
from sumpwright.errors import Complaint
from sumpwright.physics.colour import srgb_encode
from sumpwright.web.views.samples import read_outlines
from webkit import Device, Site

SHARES = [1.0, 0.55, 0.31, 0.0]
ROW = plain_row(SHARES)


@pytest.fixture
def job(site: Site, keeper: Device) -> str:
    answer = keeper.api(
        "POST",
        "/jobs",
        json={"machine": "Van 1", "system": "gearbox", "method": "drain-and-refill"},
    )
    made = str(answer.json()["id"])
    for cycle in (1, 2):
        site.store.jobs.append(made, "sampled", {"vial": f"S{cycle}", "cycle": cycle})
    return made


def sent(device: Device, job: str, data: bytes, old: str = "left") -> str:
    answer = device.post(
        f"/jobs/{job}/samples",
        {"old": old},
        files={"photograph": ("row.png", data, "image/png")},
    )
    assert answer.status_code == 303, answer.text
    return str(answer.headers["location"])


def test_a_row_is_read_shown_and_kept(site: Site, keeper: Device, job: str) -> None:
    assert f'href="/jobs/{job}/samples"' in keeper.get(f"/jobs/{job}").text
    assert keeper.get(f"/jobs/{job}/samples").status_code == 200
    address = sent(keeper, job, ROW)
    page = keeper.get(address).text
    assert page.count("<polygon") == 4
    assert "old fluid" in page
    assert "unused fluid" in page
    path = address.partition("?")[0]
    fields = keeper.form(address, path)
    assert (fields["vial2"], fields["vial3"]) == ("S1", "S2")
    answer = keeper.post(path, {**fields, "act": "keep"})
    assert answer.status_code == 303
    state = site.store.jobs.state(job)
    shares = [s.old_share for s in state.samples]
    assert shares == pytest.approx([0.55, 0.31], abs=0.02)
    (photo,) = state.photographs
    assert path.endswith(photo.attachment)
    outline = np.array(site.store.jobs.events(job)[-1].body["outline"])
    assert outline.shape == (4, 2)


def test_a_dilution_row_calibrates_the_reading_and_is_kept_with_it(
    site: Site, keeper: Device, job: str
) -> None:
    dilution = plain_row([1.0, 0.75, 0.5, 0.25, 0.0])

    def send(shares: str) -> httpx.Response:
        return keeper.post(
            f"/jobs/{job}/samples",
            {"old": "left", "shares": shares},
            files={
                "photograph": ("row.png", ROW, "image/png"),
                "dilution": ("mixed.png", dilution, "image/png"),
            },
        )

    assert "shows 5 vials and 4 shares are given" in send("100, 50, 25, 0").text
    assert site.store.attachments.all() == []
    address = str(send("100 75 50 25 0").headers["location"])
    path = address.partition("?")[0]
    assert "Calibrated with the dilution row 100 75 50 25 0 % old." in keeper.get(address).text
    fields = keeper.form(address, path)
    assert keeper.post(path, {**fields, "act": "keep"}).status_code == 303
    state = site.store.jobs.state(job)
    for sample, share in zip(state.samples, (0.55, 0.31), strict=True):
        assert sample.old_share is not None
        assert sample.standard_error is not None
        assert abs(sample.old_share - share) < 2 * sample.standard_error < 0.06
    assert all("dilution row (PCHIP)" in s.method for s in state.samples)
    assert [p.caption for p in state.photographs] == [
        "Dilution row for the samples, from the left 100, 75, 50, 25, 0 % old",
        "Row of samples, old fluid at the left",
    ]
    other = re.search(r'href="([^"]+)">It stands at the right', keeper.get(address).text)
    assert other is not None
    assert "Calibrated with" in keeper.get(unescape(other[1])).text
    wrong = f"{path}?old=left&dilution={'0' * 64}&shares=100,50,0"
    assert keeper.get(wrong).status_code == 422


def test_shares_and_patches_are_drawn_on_the_photograph_of_the_record(
    site: Site, keeper: Device, job: str
) -> None:
    address = sent(keeper, job, ROW)
    path = address.partition("?")[0]
    keeper.post(path, {**keeper.form(address, path), "act": "keep"})
    state = site.store.jobs.state(job)
    (photo,) = state.photographs
    drawing = f"/jobs/{job}/photographs/{photo.attachment}.svg"
    assert f'src="{drawing}"' in keeper.get(f"/jobs/{job}/record").text
    answer = keeper.get(drawing)
    assert answer.headers["content-type"].startswith("image/svg+xml")
    assert "img-src data:" in answer.headers["content-security-policy"]
    svg = ElementTree.fromstring(answer.text)
    names = [text.text for text in svg.iter("{http://www.w3.org/2000/svg}text")]
    shares = [f"{100 * (s.old_share or 0):.0f} %" for s in state.samples]
    assert names[::3] == ["S1", "S2"]
    assert names[1::3] == shares
    for event in site.store.jobs.events(job)[-2:]:
        codes = [round(255 * float(srgb_encode(min(t, 1.0)))) for t in event.body["patch"]]
        assert "#" + "".join(f"{c:02x}" for c in codes) in answer.text
    assert keeper.get(drawing.replace(photo.attachment, "0" * 64)).status_code == 404


def test_a_sample_that_cannot_be_is_said_and_left_out(site: Site, keeper: Device, job: str) -> None:
    for kind in ("drained", "filled"):
        body = {"volume": 4e-3} | ({"fluid": "Cable Green 7"} if kind == "filled" else {})
        site.store.jobs.append(job, kind, body)
    for vial, share in (("A", 0.98), ("B", 0.02)):
        site.store.jobs.append(job, "drained", {"volume": 1e-3})
        sample = {"vial": vial, "cycle": 1, "old_share": share, "standard_error": 0.02}
        site.store.jobs.append(job, "sampled", sample)
    page = unescape(keeper.get(f"/jobs/{job}").text)
    assert "Sample B says 2 % ± 2 % old, which cannot be; it is left out" in page
    assert "sample B shows 2 % old where" in page
    assert "whether the vials are in order and clean" in page
    record = unescape(keeper.get(f"/jobs/{job}/record").text)
    assert "Sample B shows 2 % old where" in record
    assert "Hollow samples are left out of the estimate" in record
    assert re.search(r'data-head="estimate">LEFT OUT<', record)
    figure = keeper.get(f"/jobs/{job}/figure.svg").text
    assert "◇ left out" in figure


def test_a_sample_entered_by_hand_says_where_it_was_taken_from(
    site: Site, keeper: Device, job: str
) -> None:
    page = f"/jobs/{job}/enter/sampled"
    fields = keeper.form(page, page)
    assert fields["taken_from"] == ""
    wrong = keeper.post(page, {**fields, "vial": "X", "taken_from": "pan"})
    assert wrong.status_code == 422
    assert "taken from is none of the list" in wrong.text.casefold()
    assert keeper.post(page, {**fields, "vial": "X", "taken_from": "sump"}).status_code == 303
    assert "taken_from" not in site.store.jobs.events(job)[-2].body
    assert site.store.jobs.events(job)[-1].body["taken_from"] == "sump"
    step = f"/jobs/{job}/step"
    fields = keeper.form(f"{step}?step=sample.0", step)
    assert fields["taken_from"] == "out"
    assert keeper.post(step, {**fields, "act": "done"}).status_code == 303
    assert site.store.jobs.events(job)[-1].body == {
        "vial": "0",
        "cycle": 0,
        "taken_from": "out",
        "step": "sample.0",
    }


def test_kept_twice_it_is_kept_once(site: Site, keeper: Device, job: str) -> None:
    address = sent(keeper, job, ROW)
    path = address.partition("?")[0]
    fields = {**keeper.form(address, path), "act": "keep"}
    assert keeper.post(path, fields).status_code == 303
    kept = site.store.jobs.events(job)
    again = keeper.post(path, fields)
    assert again.status_code == 303
    assert site.store.jobs.events(job) == kept
    assert keeper.get(f"/jobs/{job}/record").text.count('<li class="wide">') == 1


def test_a_doubtful_row_is_kept_only_with_a_tick(site: Site, keeper: Device, job: str) -> None:
    address = sent(keeper, job, plain_row([1.0, 0.31, 0.55, 0.0]))
    path = address.partition("?")[0]
    page = keeper.get(address).text
    assert "the order and the ends are right all the same" in page
    assert "the order and the ends are right" not in keeper.get(sent(keeper, job, ROW)).text
    fields = {**keeper.form(address, path), "act": "keep"}
    fields.pop("sure", None)
    length = len(site.store.jobs.events(job))
    refused = keeper.post(path, fields)
    assert refused.status_code == 422
    assert "which stands nearer to the old fluid; are they in order?" in refused.text
    assert "This row is not kept yet" in refused.text
    assert 'href="#f-sure"' in refused.text
    assert 'id="f-sure"' in refused.text
    assert len(site.store.jobs.events(job)) == length
    kept = keeper.post(path, {**fields, "sure": "yes", "taken_from": "sump"})
    assert kept.status_code == 303
    assert {s.taken_from for s in site.store.jobs.state(job).samples} == {"sump"}


def test_nothing_of_the_camera_is_kept(site: Site, keeper: Device, job: str) -> None:
    exif = Image.Exif()
    exif[0x010F] = "an invented camera"
    out = io.BytesIO()
    plain_picture(SHARES)[0].save(out, "JPEG", exif=exif, quality=95)
    sha = sent(keeper, job, out.getvalue()).rpartition("/")[2].partition("?")[0]
    data = site.store.attachments.data(sha)
    assert b"invented" not in data
    assert dict(Image.open(io.BytesIO(data)).getexif()) == {}


def test_corrected_outlines_are_read_again(keeper: Device, job: str) -> None:
    address = sent(keeper, job, ROW)
    path = address.partition("?")[0]
    fields = keeper.form(address, path)
    lines = fields["outlines"].split("\n")
    assert len(lines) == 4
    fewer = keeper.post(path, {**fields, "outlines": "\n".join(lines[:2] + lines[3:])})
    assert fewer.status_code == 200
    assert fewer.text.count("<polygon") == 3
    wrong = keeper.post(path, {**fields, "outlines": "1,2 3"})
    assert wrong.status_code == 422
    assert "line 1 is no outline" in wrong.text
    assert "1,2 3" in wrong.text


def test_the_other_end(keeper: Device, job: str) -> None:
    path = sent(keeper, job, ROW).partition("?")[0]
    page = keeper.get(f"{path}?old=right").text
    assert "other way round" in page
    turned = keeper.post(path, {"old": "left"})
    assert "other way round" not in turned.text
    assert keeper.get(f"{path}?old=up").status_code == 422


def test_a_photograph_without_a_row_can_still_be_outlined(keeper: Device, job: str) -> None:
    out = io.BytesIO()
    Image.new("RGB", (640, 480), "white").save(out, "PNG")
    path = sent(keeper, job, out.getvalue()).partition("?")[0]
    answer = keeper.get(path)
    assert answer.status_code == 422
    assert "no row of vials is found" in answer.text
    assert 'name="act" value="keep"' not in answer.text
    assert f'href="/api/attachments/{path.rpartition("/")[2]}"' in answer.text


def test_what_cannot_be_kept(site: Site, keeper: Device, job: str) -> None:
    address = sent(keeper, job, ROW)
    path = address.partition("?")[0]
    fields = keeper.form(address, path)
    none = keeper.post(path, {**fields, "vial2": "-", "vial3": "-", "act": "keep"})
    assert none.status_code == 422
    assert "no vial of this job is in the row" in none.text
    twice = keeper.post(path, {**fields, "vial2": "S1", "vial3": "S1", "act": "keep"})
    assert "a vial is named twice" in twice.text
    assert site.store.jobs.state(job).photographs == ()


@pytest.mark.parametrize(
    ("data", "old", "says"),
    [
        (b"not a picture", "left", "not a picture"),
        (ROW[:900], "left", "damaged or cut short"),
        (ROW, "up", "the end of the old fluid is not said"),
    ],
)
def test_refused_photographs(
    site: Site, keeper: Device, job: str, data: bytes, old: str, says: str
) -> None:
    answer = keeper.post(
        f"/jobs/{job}/samples",
        {"old": old},
        files={"photograph": ("row.png", data, "image/png")},
    )
    assert answer.status_code == 422
    assert says in answer.text
    assert site.store.attachments.all() == []


def test_no_photograph_and_no_such_photograph(keeper: Device, job: str) -> None:
    assert keeper.post(f"/jobs/{job}/samples", {"old": "left"}).status_code == 422
    for sha in ("0" * 64, "x", "../../etc"):
        assert keeper.get(f"/jobs/{job}/samples/{sha}").status_code == 404
    assert keeper.get("/jobs/none/samples").status_code == 404


def test_who_may(site: Site, keeper: Device, job: str) -> None:
    path = sent(keeper, job, ROW).partition("?")[0]
    reader = site.paired("reader")
    assert reader.get(path).status_code == 200
    assert re.search(r"<button[^>]*>Keep with", reader.get(path).text) is None
    for address in (f"/jobs/{job}/samples", path):
        assert reader.post(address, {"old": "left"}).status_code == 403


@pytest.mark.parametrize("text", ["x", "1,2", "1,2 3,4", "1,2,3 4,5 6,7", "1,2 3,4 5"])
def test_outlines_that_are_none(text: str) -> None:
    with pytest.raises(Complaint, match="line 1 is no outline"):
        read_outlines(text)


def test_no_outlines_and_too_many() -> None:
    assert read_outlines(" \n\n") is None
    with pytest.raises(Complaint, match="at most 24"):
        read_outlines("1,1 9,1 9,9 1,9\n" * 25)
