"""A photographed row in the log of its job."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageDraw
from pypdf import PdfReader

from photographs.plain import plain_picture, plain_row
from shellkit import Shell, make_shell
from sumpwright.records.state import JobState
from sumpwright.records.store import Store


@pytest.fixture
def shell(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Shell:
    made = make_shell(tmp_path, monkeypatch, capsys)
    made.start_job()
    for vial in (1, 2):
        for line in (
            "job drive --minutes 20 --distance '12 km'",
            "job drain 4.1 L",
            f"job sample {vial}",
            "job fill 4.1 L",
        ):
            made.done(line)
    (tmp_path / "row.png").write_bytes(plain_row([1.0, 0.55, 0.31, 0.0]))
    return made


def state(shell: Shell) -> JobState:
    with Store.open(shell.db) as store:
        (job,) = store.jobs.all()
        return store.jobs.state(job.id)


def printed(state: JobState) -> str:
    """The share of the first sample as people read it."""
    share = state.samples[0].old_share
    assert share is not None
    return f"{100 * share:.0f} %"


def test_each_sample_gets_its_share(shell: Shell) -> None:
    before = {s.vial: s for s in state(shell).samples}
    told = shell.done("job samples row.png --old left --by Ines")
    after = state(shell)
    assert f"sample 1 after cycle 1, {printed(after)} old" in told
    assert [s.vial for s in after.samples] == ["1", "2"]
    for sample, share in zip(after.samples, (0.55, 0.31), strict=True):
        assert sample.old_share == pytest.approx(share, abs=0.02)
        assert sample.standard_error is not None
        assert 0 < sample.standard_error < 0.03
        assert sample.after == before[sample.vial].after
        assert "Beer-Lambert" in sample.method
    (photo,) = after.photographs
    assert photo.by == "Ines"
    body = shell.events()[-1].body
    assert body["attachment"] == photo.attachment
    assert np.array(body["outline"]).shape == (4, 2)
    assert len(body["patch"]) == 3


def test_the_copy_holds_no_exif(shell: Shell) -> None:
    exif = Image.Exif()
    exif[0x010F] = "an invented camera"
    out = io.BytesIO()
    plain_picture([1.0, 0.5, 0.3, 0.0])[0].save(out, "JPEG", exif=exif, quality=95)
    (shell.folder / "row.jpg").write_bytes(out.getvalue())
    shell.done("job samples row.jpg --old left")
    with Store.open(shell.db) as store:
        (kept,) = store.attachments.all()
        data = store.attachments.data(kept.sha256)
    assert dict(Image.open(io.BytesIO(data)).getexif()) == {}
    assert b"invented" not in data


def test_the_estimate_rests_on_the_shares(shell: Shell) -> None:
    before = shell("job show --json").data
    assert (before["samples"]["used"], before["samples"]["sentence"]) == ([], "")
    told = shell.done("job samples row.png --old left")
    after = shell("job show --json").data
    assert (after["samples"]["used"], after["samples"]["left_out"]) == (["1", "2"], [])
    assert after["samples"]["fresh_from_volumes"] == before["fresh"]

    sample = state(shell).samples[-1]
    assert sample.old_share is not None
    assert f"Sample 2 says {100 * sample.old_share:.0f} % ± " in told
    assert "With 2 samples the fresh share is " in told
    assert f"it rests on {after['effective_draws']:.0f} of" in told
    assert told.index("Sample 2 says") < told.index("the next cycle would add")


def test_shares_that_contradict_the_volumes_are_named(shell: Shell) -> None:
    (shell.folder / "other.png").write_bytes(plain_row([1.0, 0.9, 0.8, 0.0]))
    told = shell.done("job samples other.png --old left")
    assert "sample 1 shows 9" in told
    assert shell("job show --json").data["samples"]["left_out"] == ["1", "2"]


def test_measured_again_it_counts_once(shell: Shell) -> None:
    shell.done("job samples row.png --old left")
    (shell.folder / "again.png").write_bytes(plain_row([0.0, 0.35, 0.6, 1.0]))
    shell.done("job samples again.png --old right")
    shares = [s.old_share for s in state(shell).samples]
    assert shares == pytest.approx([0.6, 0.35], abs=0.02)
    shell.done("job undo")
    assert state(shell).samples[1].old_share == pytest.approx(0.35, abs=0.05)


def test_a_vial_of_another_fluid_is_kept_without_a_share(shell: Shell) -> None:
    picture, boxes = plain_picture([1.0, 0.55, 0.31, 0.0])
    ImageDraw.Draw(picture).rectangle(boxes[1], fill=(70, 90, 190))
    picture.save(shell.folder / "dirty.png")
    outcome = shell("job samples dirty.png --old left")
    assert "warning: Vial 2 is not a mix" in outcome.err
    first, second = state(shell).samples
    assert first.old_share is None
    assert "no mix" in first.note
    assert second.old_share == pytest.approx(0.31, abs=0.02)


@pytest.mark.parametrize(
    ("vials", "kept"), [("2,1", ["0.31", "0.55"]), ("1,-", ["0.55"]), ("-,2", ["0.31"])]
)
def test_named_vials(shell: Shell, vials: str, kept: list[str]) -> None:
    shell.done(f"job samples row.png --old left --vials {vials}")
    found = [s.old_share for s in state(shell).samples if s.old_share is not None]
    assert found == pytest.approx([float(k) for k in kept], abs=0.02)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("--vials 1", "between the ends of the row stand 2 vials, and 1 is named"),
        ("--vials 1,9", "this job has no sample '9'"),
        ("--vials 1,1", "a vial is named twice"),
        ("--vials -,-", "no vial of this job"),
    ],
)
def test_complaints(shell: Shell, words: str, says: str) -> None:
    length = len(shell.events())
    assert says in shell(f"job samples row.png --old left {words}").complaint
    assert len(shell.events()) == length
    with Store.open(shell.db) as store:
        assert store.attachments.all() == []


def test_the_same_row_again_adds_nothing(shell: Shell) -> None:
    shell.done("job samples row.png --old left")
    before = shell.events()
    assert "This row is kept already; nothing was added." in shell.done(
        "job samples row.png --old left"
    )
    assert shell("job samples row.png --old left --json").data["events"] == []
    assert shell.events() == before
    # Said of the same row anew, only what is new is added, and the picture stays one.
    shell.done("job samples row.png --old left --vials 2,1")
    assert [e.kind for e in shell.events()[len(before) :]] == ["sampled", "sampled"]
    assert len(state(shell).photographs) == 1
    # What was taken back may be kept again.
    shell.done("job undo")
    length = len(shell.events())
    shell.done("job samples row.png --old left --vials 2,1")
    assert [e.kind for e in shell.events()[length:]] == ["sampled"]


def test_a_doubtful_row_is_kept_only_when_confirmed(shell: Shell) -> None:
    length = len(shell.events())
    for shares, old, says in (
        ([0.7, 0.9, 0.31, 0.0], "left", "older in colour than the old fluid at the end"),
        ([1.0, 0.55, 0.31, 0.0], "right", "the row the other way round?"),
        ([1.0, 0.31, 0.55, 0.0], "left", "reads older than"),
    ):
        (shell.folder / "odd.png").write_bytes(plain_row(shares))
        refused = shell(f"job samples odd.png --old {old}").complaint
        assert says in refused
        assert "--sure" in refused
        assert len(shell.events()) == length
    with Store.open(shell.db) as store:
        assert store.attachments.all() == []
    shell.done("job samples odd.png --old left --sure")
    (photo,) = state(shell).photographs
    assert "kept as it stands, although: Vial 3 reads older than" in photo.caption


def test_a_row_may_say_where_all_of_it_was_taken_from(shell: Shell) -> None:
    assert {s.taken_from for s in state(shell).samples} == {"out"}
    assert (
        "write out, stream or sump" in shell("job samples row.png --old left --from pan").complaint
    )
    told = shell.done("job samples row.png --old left --from stream")
    assert f"sample 1 after cycle 1, from the end of the stream, {printed(state(shell))}" in told
    assert {s.taken_from for s in state(shell).samples} == {"stream"}
    # Measured again without saying so, each stays as it was said last.
    (shell.folder / "again.png").write_bytes(plain_row([0.0, 0.35, 0.6, 1.0]))
    shell.done("job samples again.png --old right")
    assert {s.taken_from for s in state(shell).samples} == {"stream"}


def test_a_sample_after_the_drive_agrees_with_the_mixture(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    made = make_shell(tmp_path, monkeypatch, capsys)
    made.start_job()
    made.done("job drive")
    # 4.1 of 9.2 L are new: 55.4 % old in a mixture of all of it.
    told = made.done("job sample D1 --old-share 55% --error 2%")
    assert "left out" not in told
    assert made("job show --json").data["samples"]["used"] == ["D1"]
    told = made.done("job sample D2 --old-share 55% --error 2% --from out")
    assert "sample D2 after cycle 1, from what came out last, 55 % old" in told
    assert "was to be expected of what came out last, so it is left out" in told
    assert made("job show --json").data["samples"]["left_out"] == ["D2"]
    told = made.done("job sample D3 --old-share 97% --error 2% --from sump")
    assert "expected of what stands in it, so it is left out" in told


def test_with_a_dilution_row(shell: Shell) -> None:
    (shell.folder / "known.png").write_bytes(plain_row([1.0, 0.75, 0.5, 0.25, 0.0]))
    shell.done("job samples row.png --old left --dilution known.png")
    assert "PCHIP" in state(shell).samples[0].method


def test_the_record_shows_the_photograph_and_how(shell: Shell) -> None:
    shell.done("job samples row.png --old left")
    shell.done("job record --pdf r.pdf")
    reader = PdfReader(shell.folder / "r.pdf")
    text = " ".join(" ".join(page.extract_text() for page in reader.pages).split())
    assert "Beer-Lambert mixing" in text
    assert "Row of samples, old fluid at the left" in text
    assert printed(state(shell)) in text
    assert any(len(page.images) for page in reader.pages)
