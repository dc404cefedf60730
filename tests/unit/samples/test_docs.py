"""The examples of the page on samples, run as they stand there and in their order."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from PIL import Image

from photographs.plain import plain_row
from shellkit import Shell, make_shell
from sumpwright.records.store import Store

DOCS = Path(__file__).parents[3] / "docs"
PAGE = (DOCS / "samples.md").read_text(encoding="utf-8")


def test_the_examples_run_and_the_picture_is_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shell: Shell = make_shell(tmp_path, monkeypatch, capsys)
    shell.start_job()
    for vial in ("A", "B"):
        for line in ("job drain 4.1 L", f"job sample {vial}", "job fill 4.1 L"):
            shell.done(line)
    (tmp_path / "row.jpg").write_bytes(plain_row([1.0, 0.55, 0.31, 0.0], "JPEG"))
    (tmp_path / "mixed.jpg").write_bytes(plain_row([1.0, 0.75, 0.5, 0.25, 0.0], "JPEG"))
    blocks = re.findall(r"^```sh\n(.*?)^```", PAGE, re.MULTILINE | re.DOTALL)
    lines = [shlex.split(line) for block in blocks for line in block.splitlines()]
    assert len(lines) == 4
    for words in lines:
        outcome = shell(*words[1:])
        assert (words[0], outcome.code) == ("sumpwright", 0), outcome.err
    with Image.open(tmp_path / "drawn.png") as drawn:
        assert drawn.format == "PNG"
    with Store.open(shell.db) as store:
        (job,) = store.jobs.all()
        state = store.jobs.state(job.id)
    assert [s.vial for s in state.samples] == ["A", "B"]
    assert all("PCHIP" in s.method for s in state.samples)
    for picture in re.findall(r"\]\((pictures/[^)]+)\)", PAGE):
        assert (DOCS / picture).is_file()
