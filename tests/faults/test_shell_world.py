"""The real command where the world is against it: disks, pipes, signals, other processes."""

from __future__ import annotations

import fcntl
import json
import os
import pty
import re
import resource
import shutil
import signal
import sqlite3
import struct
import subprocess
import termios
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from shellkit import COMMAND, SHEET, Shell, command, environment, make_shell


@pytest.fixture
def shell(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Shell:
    started = make_shell(tmp_path, monkeypatch, capsys)
    started.start_job()
    return started


def one_line(err: str) -> str:
    (line,) = err.splitlines()
    assert line.startswith("sumpwright: ")
    return line


def test_the_command_and_a_pipe(shell: Shell) -> None:
    ran = command("job", "list", folder=shell.folder)
    assert ran.returncode == 0
    assert ran.stderr == ""
    assert "\x1b" not in ran.stdout
    assert ran.stdout == shell.done("job list")
    ran = command("plan", "none.toml", folder=shell.folder)
    assert ran.returncode == 2
    assert ran.stdout == ""
    assert one_line(ran.stderr).startswith("sumpwright: none.toml: there is no such file")


def test_a_table_on_a_terminal(shell: Shell) -> None:
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 80, 0, 0))
    env = {**environment(shell.folder), "TERM": "xterm", "COLUMNS": "80"}
    process = subprocess.Popen([*COMMAND, "job", "list"], stdout=theirs, env=env, cwd=shell.folder)
    os.close(theirs)
    seen = b""
    while True:
        try:
            part = os.read(ours, 4096)
        except OSError:
            break
        if not part:
            break
        seen += part
    os.close(ours)
    assert process.wait(60) == 0
    text = seen.decode()
    assert "───" in text
    assert "\x1b[1mmachine" in text
    assert "Carrier 2" in text
    assert max(len(line) for line in text.splitlines() if "\x1b" not in line) <= 80


def test_a_reader_that_leaves(shell: Shell) -> None:
    ours, theirs = os.pipe()
    os.close(ours)
    ran = command("job", "note", "cold", folder=shell.folder, stdout=theirs)
    os.close(theirs)
    assert ran.returncode == 1
    assert ran.stderr == ""
    assert shell.events()[-1].body == {"text": "cold"}
    piped = subprocess.run(
        [*map(str, ["bash", "-c", '"$@" | head -1', "x"]), *COMMAND, "job", "list", "--json"],
        env=environment(shell.folder),
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    assert piped.stdout == "[\n"
    assert piped.stderr == ""


def test_an_output_that_takes_nothing(shell: Shell) -> None:
    with open("/dev/full", "w") as full:
        ran = command("job", "note", "cold", folder=shell.folder, stdout=full)
    assert ran.returncode == 2
    assert "the disk is full; free some space" in one_line(ran.stderr)
    assert shell.events()[-1].body == {"text": "cold"}


def test_an_interruption(shell: Shell) -> None:
    process = subprocess.Popen(
        [*COMMAND, "machine", "add", "-"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment(shell.folder),
        # Who runs the tests in the background may have it ignored, and that is inherited.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    assert process.stdin is not None
    process.stdin.write(b"# half a sheet")
    process.stdin.flush()
    deadline = time.monotonic() + 60
    while _unread(process.stdin.fileno()) and time.monotonic() < deadline:
        time.sleep(0.01)
    before = shell.events()
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert out == b""
    assert one_line(err.decode()) == "sumpwright: interrupted; what was entered before is kept"
    assert shell.events() == before


def _unread(pipe: int) -> int:
    """Return how many bytes the other side of a pipe has not taken yet."""
    return int(struct.unpack("i", fcntl.ioctl(pipe, termios.FIONREAD, b"\0" * 4))[0])


def test_processes_on_one_database(shell: Shell) -> None:
    before = len(shell.events())
    texts = [f"from process {n}" for n in range(3)]
    running = [
        subprocess.Popen(
            [*COMMAND, "job", "note", text],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=environment(shell.folder),
        )
        for text in texts
    ]
    for process in running:
        _, err = process.communicate(timeout=120)
        assert process.returncode == 0, err
    events = shell.events()
    assert [event.seq for event in events] == list(range(1, before + 4))
    assert sorted(event.body["text"] for event in events[before:]) == texts


def test_a_disk_that_is_full(shell: Shell, small_disk: Path) -> None:
    on_disk = small_disk / "yard.db"
    shutil.copy(shell.db, on_disk)
    before = shell.events()
    shell.db = on_disk
    shell._monkeypatch.setenv("SUMPWRIGHT_DB", str(on_disk))
    (small_disk / "ballast").write_bytes(bytes(_free(small_disk)))
    said = shell("job note 'one too many'").complaint
    assert "the disk is full" in said
    assert "free some space" in said
    for line in (f"job record --pdf {small_disk}/r.pdf", f"export {small_disk}/all.json"):
        said = shell(line).complaint
        assert "No space left on device" in said or "the disk is full" in said
    (small_disk / "ballast").unlink()
    names = sorted(path.name for path in small_disk.iterdir())
    assert [name for name in names if not name.startswith("yard.db")] == []
    assert shell.events() == before
    shell.done("job note 'room again'")


def test_a_record_for_which_there_is_no_room(shell: Shell, small_disk: Path) -> None:
    (small_disk / "ballast").write_bytes(bytes(_free(small_disk)))
    said = shell(f"job close --pdf {small_disk}/r.pdf").complaint
    assert "the job itself is closed" in said
    (again,) = re.findall(r"'sumpwright (job record --job \w+)'", said)
    assert shell.events()[-1].kind == "closed"
    (small_disk / "ballast").unlink()
    assert list(small_disk.iterdir()) == []
    shell.done(f"{again} --pdf {small_disk}/r.pdf")
    assert (small_disk / "r.pdf").read_bytes().startswith(b"%PDF-")


def _free(folder: Path) -> int:
    return os.statvfs(folder).f_bavail * os.statvfs(folder).f_frsize


def test_a_file_that_may_not_grow(shell: Shell) -> None:
    """A limit on the size of files, where no disk of one's own can be had."""
    before = shell.events()
    (shell.folder / "r.pdf").write_bytes(b"the record of last year")

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))

    ran = command("job", "record", "--pdf", "r.pdf", folder=shell.folder, preexec_fn=limit)
    assert ran.returncode == 2
    assert "cannot be written" in one_line(ran.stderr) or "does not take" in one_line(ran.stderr)
    assert (shell.folder / "r.pdf").read_bytes() == b"the record of last year"
    assert not [path for path in shell.folder.iterdir() if path.name.startswith(".r.pdf")]
    ran = command("job", "note", "x" * 9000, folder=shell.folder, preexec_fn=limit)
    assert ran.returncode == 2
    assert one_line(ran.stderr)
    assert shell.events() == before


def test_a_database_that_may_only_be_read(shell: Shell, small_disk: Path) -> None:
    on_disk = small_disk / "yard.db"
    shutil.copy(shell.db, on_disk)
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    said = shell(f"job note cold --db {on_disk}").complaint
    assert said.startswith(f"{on_disk}: the database cannot be")
    assert "that you may write to" in said
    said = shell(f"export {small_disk}/all.json").complaint
    assert "you may not write to" in said
    subprocess.run(["mount", "-o", "remount,rw", str(small_disk)], check=True)


def make_newer(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute("UPDATE alembic_version SET version_num = '0999'")
    connection.commit()
    connection.close()


def make_foreign(path: Path) -> None:
    path.unlink()
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE birds (name)")
    connection.commit()
    connection.close()


def make_text(path: Path) -> None:
    path.write_text(SHEET, encoding="utf-8")


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (make_newer, "written by a newer version of Sumpwright"),
        (make_foreign, "this is the database of another program; name another file"),
        (make_text, "this file is not a Sumpwright database; name another file"),
    ],
)
def test_a_database_that_is_none_of_ours(
    shell: Shell, spoil: Callable[[Path], None], says: str
) -> None:
    for extra in shell.folder.glob("yard.db-*"):
        extra.unlink()
    spoil(shell.db)
    before = shell.db.read_bytes()
    for line in ("job note cold", "job list", "machine add carrier.toml --replace", "verify"):
        said = shell(line).complaint
        assert said.startswith(f"{shell.db}: ")
        assert says in said
    assert shell.db.read_bytes() == before


def test_a_database_in_a_strange_place(shell: Shell) -> None:
    (shell.folder / "file").write_bytes(b"")
    for target, says in (
        (".", "this is a folder, not a database; name a file in it"),
        ("file/yard.db", "the folder of the database cannot be made"),
        ("mysql://host/yard", "a database of the kind 'mysql' is not supported"),
        ("", "the database has no name; give a path"),
    ):
        assert says in shell("job", "list", "--db", target).complaint
    assert "there is no folder new" in shell("job list --db new/folder/yard.db").complaint
    fresh = shell("job list --json --db new/yard.db")
    assert fresh.data == []
    assert "new/yard.db was not there: a new yard is begun, and it is empty" in fresh.err


def test_a_record_cut_short(shell: Shell) -> None:
    shell.done("job record --json-file r.json")
    path = shell.folder / "r.json"
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    assert shell("verify r.json").complaint.startswith("r.json:")
    shell.done("export all.json")
    everything = json.loads((shell.folder / "all.json").read_bytes())
    everything["jobs"][0]["events"][1]["body"]["volume"] = 0.005
    (shell.folder / "all.json").write_text(json.dumps(everything), encoding="utf-8")
    said = shell("import all.json --db other.db").complaint
    assert said.startswith("all.json: ")
    assert shell("machine list --json --db other.db").data == []
    assert shell("job list --json --db other.db").data == []


def test_a_device_as_the_file(shell: Shell) -> None:
    ran = command("export", "/dev/stdout", folder=shell.folder)
    assert ran.returncode == 0
    assert '"format": "sumpwright-yard"' in ran.stdout
    link = shell.folder / "latest.toml"
    link.symlink_to(shell.sheet("old", "named.toml"))
    shell.done("machine export 'Carrier 2' -o latest.toml")
    assert link.is_symlink()
    assert "Carrier 2" in (shell.folder / "named.toml").read_text(encoding="utf-8")
