from __future__ import annotations

from pathlib import Path

import pytest

from shellkit import Shell, make_shell


@pytest.fixture
def shell(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Shell:
    return make_shell(tmp_path, monkeypatch, capsys)
