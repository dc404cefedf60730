"""Bad input in the shell: one line that says what, where and what to do; nothing is lost."""

from __future__ import annotations

import contextlib
import re
import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shellkit import SHEET, Shell, make_shell
from sumpwright.cli import main
from yardkit import empty_database


@pytest.fixture
def shell(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Shell:
    return make_shell(tmp_path, monkeypatch, capsys)


@pytest.fixture(scope="module")
def started(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database with a machine and a job of three entries, made once."""
    folder = tmp_path_factory.mktemp("started")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        patch.setenv("SUMPWRIGHT_DB", str(folder / "yard.db"))
        (folder / "yard.db").write_bytes(empty_database())
        (folder / "carrier.toml").write_text(SHEET, encoding="utf-8")
        for line in (
            ["machine", "add", "carrier.toml"],
            ["job", "start", "Carrier 2", "--method", "drain-and-refill"],
            ["job", "drain", "4.1", "L"],
            ["job", "fill", "4.1", "L", "--lot", "L12"],
        ):
            with contextlib.suppress(SystemExit):
                main(line)
    return folder / "yard.db"


@pytest.fixture
def working(shell: Shell, started: Path) -> Shell:
    """A shell in the middle of a job."""
    shutil.copy(started, shell.db)
    assert [event.kind for event in shell.events()] == ["opened", "drained", "filled"]
    return shell


def line_of(text: str, key: str) -> int:
    return next(n for n, row in enumerate(text.splitlines(), 1) if row.startswith(key))


@pytest.mark.parametrize(
    ("key", "value", "says"),
    [
        ("capacity", '"-9.2 L"', r"capacity of -9\.2 L is negative; give a volume above zero"),
        ("capacity", '"0 L"', "capacity of 0 L is zero; give a volume above zero"),
        ("capacity", '"nan L"', "nan is not a finite number; write a finite number"),
        ("capacity", "inf", "inf is not a finite number"),
        ("capacity", '"9200 L"', "9200 L cannot be right .* check the value and its unit"),
        ("capacity", '"9.2"', "'9.2' has no unit; write e.g."),
        ("capacity", "9.2", "'9.2' has no unit; write e.g."),
        ("capacity", '"9.2 jugs"', "unit 'jugs' is not known; the nearest known unit is"),
        ("capacity", '"9.2 N.m"', "'N.m' is a unit of torque, and a volume is wanted here"),
        ("capacity", '["9.6 L", "9.0 L"]', "the range is reversed|lower|first"),
        ("capacity", '"1,234 L"', "can mean 1.234 or 1234"),
        ("drain", '"4.9 L"', "drain of 4.9 L is larger than the sump of 4.8 L; check both"),
        ("sump", '"9.3 L"', "sump of 9.3 L is larger than the capacity of 9.2 L; check both"),
        ("pockets", "1.5", "pockets of 1.5 is not a share"),
        ("window", '["46 C", "38 C"]', "window of 46 to 38 °C is reversed"),
        ("torque", '"-27 N.m"', "torque of -27 N·m cannot be right"),
        ("price", "-1", "price of -1 cannot be right"),
        ("density_15", '"8.46 kg/m3"', "cannot be right for a working fluid"),
    ],
)
def test_a_number_on_the_sheet_that_cannot_be(
    shell: Shell, key: str, value: str, says: str
) -> None:
    text = re.sub(rf"(?m)^{key} = .*$", f"{key} = {value}", SHEET, count=1)
    shell.sheet(text)
    for line in ("plan carrier.toml", "machine add carrier.toml"):
        outcome = shell(line)
        assert outcome.out == ""
        place, _, rest = outcome.complaint.partition(": ")
        assert place == f"carrier.toml:{line_of(text, key)}"
        assert key in rest.partition(": ")[0]
        assert re.search(says, rest)
        assert "; " in rest
    assert shell("machine list --json").data == []


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("drain = ", "drian = ", r":7: system 'gearbox'\.drian: unknown key .* mean 'drain'\?"),
        ("[[offer]]", "[[offers]]", r"unknown key 'offers'; did you mean 'offer'\?"),
        (
            '"torque-converter automatic"',
            "engine",
            r':5: is not valid TOML: .*; put the value in quotes: kind = "engine"$',
        ),
        ('name = "Carrier 2"', "", r"name"),
        ('"9.2 L"', '"9.2 L', r":6: is not valid TOML: .*; close the quotes"),
        ("price = 11.40", "price = 11,40", r":31: .*; write a plain number with a point"),
        ("[machine]", "[machin]", r"unknown key 'machin'; did you mean 'machine'\?"),
    ],
)
def test_a_sheet_that_is_written_wrong(shell: Shell, old: str, new: str, says: str) -> None:
    assert old in SHEET
    shell.sheet(SHEET.replace(old, new, 1))
    said = shell("plan carrier.toml").complaint
    assert said.startswith("carrier.toml:")
    assert re.search(says, said)


def test_us_or_imperial(shell: Shell) -> None:
    shell.sheet(SHEET.replace('"4.1 L"', '"4.3 qt"'))
    outcome = shell("machine add carrier.toml")
    assert outcome.code == 0
    (line,) = outcome.err.splitlines()
    assert line.startswith("warning: carrier.toml:7: system 'gearbox'.drain: '4.3 qt' is read as")
    assert "4.07 L" in line
    assert "4.89 L" in line
    assert "write 'US qt' or 'imp qt'" in line
    for clear in ("4.3 US qt", "3.6 imp qt", "4,1 L"):
        shell.sheet(SHEET.replace('"4.1 L"', f'"{clear}"'))
        assert shell("machine add carrier.toml --replace").err == ""


@pytest.mark.parametrize(
    ("line", "stdin", "says"),
    [
        ("plan none.toml", b"", "none.toml: there is no such file; check the path"),
        ("plan none", b"", "none: there is no such machine sheet; .* --machine 'none'"),
        ("plan .", b"", ".: is a directory, not a machine sheet; name the .toml file"),
        ("plan", b"", "no machine is named; give a machine sheet"),
        ("plan -", b"", "standard input:1: there is no .machine. table; add"),
        ("plan -", b"\xff\xfe", "standard input:1: is not UTF-8 text; save the sheet as UTF-8"),
        ("plan -", b"x = 1\n[machine", "standard input:2: is not valid TOML"),
        ("plan -", b"#" * 1_000_001, "standard input: is larger than 1000 kB"),
        ("machine add -", SHEET[:57].encode(), "standard input:3: .*kind"),
        ("machine show none", b"", "no machine is called 'none'; add a machine first"),
        ("job start none", b"", "no machine is called 'none'; add a machine first"),
        ("job start a.toml", b"", "'a.toml' is a machine sheet, .*'sumpwright machine add a.toml'"),
        ("job note cold", b"", "no job is open; start one with 'sumpwright job start MACHINE'"),
        ("verify none.json", b"", "none.json: the file cannot be read"),
        ("import none.json", b"", "none.json: the file cannot be read"),
        ("export none/all.json", b"", "none/all.json: there is no folder none; make it"),
        ("export .", b"", ".: is a folder, not a file; name a file in it"),
    ],
)
def test_what_is_not_there(shell: Shell, line: str, stdin: bytes, says: str) -> None:
    outcome = shell(line, stdin=stdin)
    assert re.search(says, outcome.complaint)
    assert outcome.out == ""


def test_a_sheet_from_standard_input(shell: Shell) -> None:
    shell.sheet()
    assert (
        shell("plan - --json", stdin=SHEET.encode()).data == shell("plan carrier.toml --json").data
    )
    shell("machine add -", stdin=b"\xef\xbb\xbf" + SHEET.replace("\n", "\r\n").encode())
    assert shell("machine list --json").data[0]["machine"] == "Carrier 2"


def test_a_name_that_is_no_text(shell: Shell) -> None:
    outcome = shell("plan", "na\udcffme.toml")
    assert outcome.complaint.startswith("na?me.toml: there is no such file")
    assert shell("machine", "show", "\x1b[31mred").complaint.startswith(
        "no machine is called '?[31mred'"
    )


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ("--target 0", "--target: target is 0; give a share between 0 and 1"),
        ("--target 1", "--target: target is 1; give a share between 0 and 1"),
        ("--target 90", "--target: target is 90; give a share between 0 and 1"),
        ("--target nan", "--target: nan is not a finite number"),
        ("--target much", "--target: 'much' has no number; write a share"),
        ("--confidence 1.2", "--confidence: confidence is 1.2; give a share"),
        ("--cycles 0", "--cycles: 0 cycles; give a number from 1 to 60"),
        ("--cycles 1000", "--cycles: 1000 cycles; give a number from 1 to 60"),
        ("--cycles some", "--cycles: 'some' is not a whole number; write e.g. 8"),
        ("--worth -1", "--worth: a price per point of -1; give an amount of money above zero"),
        ("--worth nan", "--worth: nan is not a finite number"),
        ("--have crane", "--have: equipment 'crane' is not known; choose from lean, air"),
        ("--method magic", "--method: method 'magic' is not known; choose from drain-and-refill"),
        ("--system engine", "Carrier 2 has no wet system 'engine'; name one of: gearbox"),
        ("--machine 'Carrier 2'", "both a sheet and --machine are given; give one of the two"),
        ("--card none/card.pdf", "none/card.pdf: there is no folder none; make it, or name"),
        ("--card .", ".: is a folder, not a file; name a file in it"),
    ],
)
def test_a_wish_that_cannot_be(shell: Shell, options: str, says: str) -> None:
    shell.sheet()
    outcome = shell(f"plan carrier.toml {options}")
    assert outcome.complaint.startswith(says)
    assert outcome.out == ""


@pytest.mark.parametrize("target", ["0.9", "0,9", "90%", "90 %"])
def test_a_target_as_people_write_it(shell: Shell, target: str) -> None:
    shell.sheet()
    assert shell(f"plan carrier.toml --json --target '{target}'").data["target"] == 0.9


def test_several_systems_and_none_named(shell: Shell) -> None:
    more = '[[system]]\nname = "winch"\nkind = "axle"\ncapacity = "1 L"\n'
    shell.sheet(SHEET + more)
    shell.done("machine add carrier.toml")
    for line in ("plan carrier.toml", "plan --machine 'Carrier 2'", "job start 'Carrier 2'"):
        said = shell(line).complaint
        assert said == "Carrier 2 has 2 wet systems; name one of: gearbox, winch"
    assert shell.events() == []
    shell.done("job start 'Carrier 2' --system Winch")


ENTRIES = [
    ("job drain 9.3 L", "more than was in it by the sheet, 4.80 L at most"),
    ("job drain 19 L --reason full", "19.00 L cannot have been drained: no more than 18.40 L"),
    ("job drain 4.9 L", "or was drained leaned; correct it, or say why it is so with --reason"),
    ("job discharge 4.9 L", "more than the largest safe discharge"),
    ("job lost 9.3 L", "more than was in it by the sheet, 9.20 L at most"),
    ("job fill 9.3 L", "9.30 L cannot have gone in"),
    ("job exchange 93 L", "is more than 10 times what the gearbox holds"),
    ("job drain 0 L", "drained: a volume of 0 L is not above zero; correct 'volume'"),
    ("job drain nan L", "volume: nan is not a finite number"),
    ("job drain 1e999 L", "not a finite number"),
    ("job drain 1e30 L", "a volume of 1e.30 L is beyond any wet system; correct"),
    ("job drain 4.1", "volume: '4.1' has no unit; write e.g."),
    ("job drain 4.1 jugs", "volume: unit 'jugs' is not known; the nearest known unit is"),
    ("job drain four L", "volume: 'four L' has no number"),
    ("job drain 4 to 5 L", "'4 to 5 L' is a range, and one value is wanted here"),
    ("job fill 1 L --price much", "--price: 'much' is not a number; write e.g. 11.40"),
    ("job tighten fill 27 N.m", "the sheet gives no torque for 'fill' .plugs with a torque: drain"),
    ("job tighten level 27 N.m", "'level' is not a plug of the gearbox"),
    ("job tighten drain 27 ft", "'ft' is a unit of length, and a torque is wanted here"),
    ("job tighten drain 27 N.m --extension 100 mm", "an extension needs both lengths; give"),
    ("job tighten drain 27 N.m --calibrated today", "'today' is not a date such as"),
    ("job reading temprature 41 C", "'temprature' is not a usual reading; did you mean 'temp"),
    ("job reading temperature 4100 C", "a temperature of 4100 °C is beyond any working fluid"),
    ("job reading temperature warm", "temperature: 'warm' has no number"),
    ("job reading odometer 84210", "odometer: '84210' has no unit"),
    ("job sample a --old-share 9", "--old-share: 9 is not a share; write it from 0 to 1"),
    ("job purge 200 %", "share: 200 % is not a share"),
    ("job work 0", "'sweeps' should be greater than or equal to 1"),
    ("job work often", "sweeps: 'often' is not a whole number"),
    ("job note ''", "noted: 'text' is empty"),
    ("job undo 9", "the job has no entry 9; it has entries 1 to 3"),
    ("job undo 1", "the opening of a job cannot be undone; close the job instead"),
    ("job undo xyz", "there is nothing to undo: the job has no entry xyz"),
    ("job undo 2 --redo", "both an entry and --redo are given; give one of the two"),
    ("job undo --redo", "there is nothing to redo; undo an entry first"),
    ("job step nothing", "the job has no step 'nothing'; see 'sumpwright job steps'"),
    ("job close --odometer far", "--odometer: 'far' has no number"),
    ("job close --pdf none/r.pdf", "none/r.pdf: there is no folder none; make it, or name"),
    ("job close --json-file .", ".: is a folder, not a file"),
    ("job record", "no file is named; give --pdf FILE, --json-file FILE or both"),
    ("job show --job nothing", "there is no job 'nothing'; look at 'sumpwright job list'"),
    ("job note cold --by " + "a" * 300, "this name of a person cannot be kept; shorten it"),
    ("job note " + "a" * 20_000, "'text' is longer than 10000 characters"),
    ("job drain " + "9" * 90_000 + " L", "is too long for a volume"),
    ("verify nothing", "there is no job 'nothing'"),
]


@pytest.mark.parametrize(("line", "says"), ENTRIES, ids=[line[:40] for line, _ in ENTRIES])
def test_an_entry_that_cannot_be_true(working: Shell, line: str, says: str) -> None:
    before = working.events()
    outcome = working(line)
    assert re.search(says, outcome.complaint)
    assert len(outcome.complaint) < 900
    assert outcome.out == ""
    assert working.events() == before


def test_a_very_long_word(working: Shell) -> None:
    said = working("job", "start", "x" * 100_000).complaint
    assert said.startswith("no machine is called 'xxx")
    assert said.endswith("name one of: Carrier 2")
    assert len(said) < 900


def test_text_that_cannot_be_kept(working: Shell) -> None:
    before = working.events()
    for text in ("a\x1b[31mred", "half \udcff"):
        assert "control character" in working("job", "note", text).complaint
    assert working.events() == before
    working("job", "note", "Grüße: 油 ✓")
    assert working.events()[-1].body["text"] == "Grüße: 油 ✓"


@settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    verb=st.sampled_from(["drain", "reading", "tighten", "note", "undo", "purge", "nothing"]),
    words=st.lists(
        st.one_of(
            st.sampled_from(["drain", "4.1", "L", "-1", "27 N.m", "--by", "--job", "--leaned"]),
            st.text(st.characters(exclude_characters="\0"), max_size=8),
        ),
        max_size=4,
    ),
)
def test_any_words_at_all(working: Shell, verb: str, words: list[str]) -> None:
    before = working.events()
    outcome = working("job", verb, *words)
    if outcome.code == 0:
        assert working.events()[: len(before)] == before
    else:
        assert outcome.complaint
        assert working.events() == before
