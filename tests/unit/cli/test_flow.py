"""A whole job in the shell, from the sheet to a record that convinces another yard."""

from __future__ import annotations

import io
import json
import re
import shlex
import sqlite3

import pytest
from PIL import Image
from pypdf import PdfReader

from shellkit import SHEET, Shell
from sumpwright.records.store import Store


def test_a_job_from_sheet_to_record(shell: Shell) -> None:
    shell.sheet()
    assert shell.done("machine add carrier.toml") == "Carrier 2 is in the yard, sheet 1: gearbox.\n"
    said = shell.done("job start 'Carrier 2' --by Ines")
    assert "see that the fill plug comes loose" in said
    assert "sumpwright job drain 4.10 L" in said
    assert "Never discharge more than 3.30 L at once" in said

    said = shell.done("job drain 4.1 L --temperature 55 C --by Ines")
    assert said.startswith("2. drained 4.10 L, at 55 °C.\n")
    assert "out 4.10 L, in 0.00 L; 4.10 L below the level of the start" in said
    assert "Fluid: 0 % fresh" in said
    assert "Fill what came out before the engine runs" in said

    slip = shell("job fill 4.3 qt --lot L12")
    assert slip.out.startswith("3. filled 4.07 L of Cable Green 7, lot L12.\n")
    assert "31 mL below the level of the start" in slip.out
    assert slip.err.startswith("warning: volume: '4.3 qt' is read as US quarts, 4.07 L")
    assert "4.89 L" in slip.err
    assert len(slip.err.splitlines()) == 1

    assert shell.done("job undo").startswith("Undone: 3. filled 4.07 L of Cable Green 7")
    assert shell.done("job undo --redo").startswith("In force again: 3. filled 4.07 L")
    assert "out 4.10 L, in 0.00 L" in shell.done("job undo 3")
    assert "at the level of the start" in shell.done("job fill 4,1 L --lot L12 --price 46,74")

    shell.done("job work 3")
    said = shell.done("job discharge 2 L --seconds 58")
    assert "discharged 2.00 L through the cooler line, in 58 s" in said
    said = shell.done("job fill 2 L")
    assert re.search(r"Fluid: \d\d % \(\d\d–\d\d\) fresh; \d+ % sure of at least 90 %\.", said)
    assert "Advice: Go on" in said

    # 27 N·m with 100 mm of extension on a wrench of 400 mm: 27 · 400 / (400 + 100) = 21.6.
    said = shell.done(
        "job tighten drain 27 N.m --extension 100 mm --wrench-length 400 mm --new-seal"
    )
    assert "wrench set to 21.6 N·m, new seal" in said
    assert "read temperature: 41.0 °C" in shell.done("job reading temperature 41 C")
    assert "read oil pressure at idle: 1.8 bar" in shell.done(
        "job reading 'oil pressure at idle' 1.8 bar"
    )
    assert "sample 2 after cycle 2, 30 % old ± 5.0 %" in shell.done(
        "job sample 2 --old-share 30 % --error 5 %"
    )
    assert "Balance:" in shell.done("job advise")

    said = shell.done(
        "job close --odometer 84210 km --summary 'ran well' --pdf 'the record.pdf' "
        "--json-file record.json"
    )
    assert "is closed" in said
    assert "Record: the record.pdf" in said
    text = "".join(page.extract_text() for page in PdfReader(shell.folder / "the record.pdf").pages)
    for word in ("Carrier 2", "gearbox", "Cable Green 7", "L12", "27.0", "ran well"):
        assert word in text

    log = shell.done("job show")
    assert re.search(r"^ 3 .*filled 4\.07 L.*undone$", log, re.MULTILINE)
    assert "undid: filled 4.07 L of Cable Green 7" in log
    assert "(3)" in log
    assert "closed, odometer 84210 km, ran well" in log
    count = len(shell.events())
    assert f"{count} entries, sound" in shell.done("verify record.json")
    assert f"{count} entries, sound" in shell.done("verify")
    assert shell("verify record.json --json").data["sound"] is True


def test_a_record_that_was_tampered_with(shell: Shell) -> None:
    shell.start_job()
    shell.done("job record --json-file record.json")
    path = shell.folder / "record.json"
    text = path.read_text(encoding="utf-8")
    assert '"volume": 0.0041' in text
    path.write_text(text.replace('"volume": 0.0041', '"volume": 0.0051'), encoding="utf-8")
    outcome = shell("verify record.json")
    assert "NOT SOUND" in outcome.out
    assert outcome.complaint.startswith("record.json: NOT SOUND")
    outcome = shell("verify record.json --json")
    assert json.loads(outcome.out)["sound"] is False
    assert outcome.code == 2


def test_a_log_altered_in_the_yard(shell: Shell) -> None:
    shell.start_job()
    shell.done("job record --pdf before.pdf")
    with sqlite3.connect(shell.db) as yard:
        yard.execute("DROP TRIGGER events_no_update")
        yard.execute("UPDATE events SET body = replace(body, '0.0041', '0.0035') WHERE seq = 2")
    yard.close()
    for command in ("job record --pdf after.pdf", "job record --json-file after.json"):
        outcome = shell(command)
        assert outcome.code == 2
        assert "NOT SOUND: the log was altered or damaged" in outcome.err
        assert "event 2" in outcome.err
    marked = [
        [" ".join(page.extract_text().split()) for page in PdfReader(shell.folder / name).pages]
        for name in ("before.pdf", "after.pdf")
    ]
    assert not any("NOT SOUND" in page for page in marked[0])
    assert all("NOT SOUND" in page for page in marked[1])
    assert "Trust nothing on this record" in marked[1][0]
    assert shell("verify after.json").code == 2
    with sqlite3.connect(shell.db) as yard:
        yard.execute("UPDATE jobs SET machine_id = '01890a5d-ac96-774b-bcce-b302099a8057'")
    yard.close()
    assert "(machine not in the yard)" in shell.done("job list")
    outcome = shell("verify")
    assert outcome.code == 2
    assert "is not in the yard" in outcome.out


def test_a_yard_moved_to_another_computer(shell: Shell) -> None:
    shell.start_job()
    shell.done("job note 'grüß dich'")
    said = shell.done("export all.json")
    assert said == "Written: all.json (machines: 1, jobs: 1).\n"
    assert "jobs: 1 added" in shell.done("import all.json --db other.db")
    assert "jobs: 0 added, 1 known" in shell.done("import all.json --db other.db")
    (job,) = {event.job for event in shell.events()}
    with Store.open(shell.db) as one, Store.open(shell.folder / "other.db") as other:
        assert one.jobs.events(job) == other.jobs.events(job)
        assert one.jobs.state(job) == other.jobs.state(job)
        assert one.machines.get("Carrier 2").sheet == other.machines.get("Carrier 2").sheet
    here = shell("job show --json").data
    assert shell("job show --json --db other.db").data == here


def test_a_plan_by_the_formula(shell: Shell) -> None:
    shell.sheet()
    plan = shell("plan carrier.toml --json").data
    assert plan["assumptions"] == []
    (method,) = [m for m in plan["methods"] if m["method"] == "drain-and-refill"]
    assert len(method["points"]) == 8
    for point in method["points"]:
        exact = 1 - (1 - 4.1 / 9.2) ** point["cycles"]
        fresh = point["fresh"]
        assert fresh["p05"] == fresh["p50"] == fresh["p95"] == pytest.approx(exact, abs=1e-9)
    assert plan["recommended"]["probability"] >= 0.9


def test_what_a_plan_tells(shell: Shell) -> None:
    shell.sheet()
    said = shell.done("plan carrier.toml --kit --card card.pdf --have air --have second-pump")
    rows = [line.split()[:2] for line in said.splitlines() if "%" in line]
    # 1 − (1 − 4.1/9.2)ⁿ first passes 0.9 at n = 4.
    assert ["drain-and-refill", "4"] in rows
    assert "leaned-drain-and-refill: only with --have lean" in said
    assert "only with --have air" not in said
    assert "Catch vessel" in said
    assert "crush washer" in said
    assert "service manual, local rules and licensed practice come first" in said
    (page, *_) = PdfReader(shell.folder / "card.pdf").pages
    assert "Carrier 2" in page.extract_text()
    every = shell.done("plan carrier.toml --all --cycles 3 --method drain-and-refill")
    assert re.findall(r"^ +(\d) +(\S+ L) ", every, re.MULTILINE) == [
        ("1", "4.10 L"),
        ("2", "8.20 L"),
        ("3", "12.30 L"),
    ]


def test_the_steps_of_a_job(shell: Shell) -> None:
    shell.start_job()
    shell.done("job step protection")
    shell.done("job step catch.1 --override 'stood there already'")
    shell.done("job tighten drain 27 N.m --new-seal")
    steps = shell("job steps --json").data
    done = {step["id"] for step in steps if step["done"]}
    assert done == {"protection", "catch.1", "drain.1", "drain-plug.1", "fill.1"}
    said = shell.done("job steps")
    assert re.search(r"\[x\] drain\.1: .*\n.*\n +CAUTION: Hot fluid scalds", said)
    assert re.search(r"\[ \] fill-plug\.1: .*\n.*\n +CAUTION: .*could not be filled again", said)
    assert "did you mean 'protection'?" in shell("job step protecton").complaint


def test_a_plug_that_the_sheet_lacks(shell: Shell) -> None:
    shell.start_job()
    assert "did you mean 'drain'?" in shell("job tighten drian 27 N.m --target 27 N.m").complaint
    said = shell("job tighten cover 9 N.m").complaint
    assert "give the torque of the service manual as target" in said
    assert "tightened the cover plug to 9.0 N·m" in shell.done(
        "job tighten cover 9 N.m --target 9 N.m"
    )


def test_what_looks_like_a_slip_is_taken_only_with_a_reason(shell: Shell) -> None:
    shell.start_job()
    assert "200 N·m is 7.4 times what is given, 27.0 N·m" in (
        shell("job tighten drain 200 N.m --new-seal").complaint
    )
    assert "a seal (crush washer)" in shell("job tighten drain 27 N.m --old-seal").complaint
    shell.done("reading add 'Carrier 2' odometer 1200 km")
    for line in ("job reading odometer 99 km", "job close --odometer 900 km"):
        said = shell(line).complaint
        assert "this is less than the odometer before, 1200 km" in said
        assert "--reason" in said
    assert not [e for e in shell.events() if e.kind in ("tightened", "read", "closed")]
    shell.done("job reading odometer 1200 km")
    shell.done("job tighten drain 200 N.m --reason 'the wrench reads tenths'")
    shell.done("job close --odometer 900 km --reason 'another dashboard'")
    over = [e.body for e in shell.events() if e.kind == "overrode"]
    kept = [(body["step"], body.get("also"), body["reason"]) for body in over]
    assert kept == [
        ("tightened/torque", ["tightened/seal"], "the wrench reads tenths"),
        ("closed/less", None, "another dashboard"),
    ]


def test_a_discharge_past_the_safe_one_is_taken_only_with_a_reason(shell: Shell) -> None:
    shell.start_job()
    safe = shell("job show --json").data["largest_safe_discharge_l"]
    assert "the pump may have drawn air" in shell(f"job discharge {safe + 0.1} L").complaint
    assert not [e for e in shell.events() if e.kind == "discharged"]
    shell.done(f"job discharge {safe + 0.1} L --reason 'the bottle was fuller than marked'")
    shell.done(f"job fill {safe + 0.1} L")
    shell.done(f"job discharge {safe + 0.004} L")
    over = [e.body["step"] for e in shell.events() if e.kind == "overrode"]
    assert over == ["discharged/most"]


def test_a_machine_that_runs_by_hours_is_closed_with_them(shell: Shell) -> None:
    shell.start_job()
    shell.done("reading add 'Carrier 2' hours '2140 h'")
    said = shell("job close --hours '2139 h'").complaint
    assert "this is less than the hours before, 2140.0 h" in said
    shell.done("job close --hours '2141.5 h'")
    assert "closed, hours 2141.5 h" in shell.done("job show")
    with Store.open(shell.db) as store:
        kept = store.readings.of("Carrier 2", "hours")
    assert [(bool(r.job), r.value / 3600) for r in kept] == [(False, 2140.0), (True, 2141.5)]
    assert shell.events()[-1].body == {"hours": 2141.5 * 3600}


def test_a_closed_job_may_be_opened_again(shell: Shell) -> None:
    shell.start_job()
    shell.done("job close")
    assert "no job is open" in shell("job note late").complaint
    end = shell.events()[0].job[-6:]
    assert "this job is closed" in shell(f"job note late --job {end}").complaint
    shell.done(f"job undo --job {end}")
    shell.done("job note late")


def test_which_job_is_meant(shell: Shell) -> None:
    shell.start_job()
    shell.sheet(SHEET.replace("Carrier 2", "Van 1"), "van.toml")
    shell.done("machine add van.toml")
    second = shell("job start 'Van 1' --method drain-and-refill --json").data["job"]
    first = next(event.job for event in shell.events() if event.job != second)
    said = shell("job note cold").complaint
    assert "2 jobs are open" in said
    assert first[-6:] in said
    assert second[-6:] in said
    for name in (second, second[-6:], "van 1", "Van 1"):
        shell.done(f"job note cold --job {shlex.quote(name)}")
    assert [e.job for e in shell.events() if e.kind == "noted"] == [second] * 4
    shared = first[:2]
    assert "2 jobs match" in shell(f"job show --job {shared}").complaint
    assert "there is no job 'zz'" in shell("job show --job zz").complaint
    again = shell("job start 'Van 1' --method drain-and-refill").complaint
    assert "a job on the gearbox of Van 1 is open already" in again
    assert second[-6:] in again
    shell.done(f"job close --job {second}")
    shell.done("job start 'Van 1' --method drain-and-refill")


def test_a_newer_sheet_of_a_machine(shell: Shell) -> None:
    shell.sheet()
    shell.done("machine add carrier.toml")
    shell.sheet(SHEET.replace("9.2 L", "9.4 L"))
    assert "add --replace" in shell("machine add carrier.toml").complaint
    assert "sheet 2" in shell.done("machine add carrier.toml --replace")
    assert "9.40 L" in shell.done("machine show 'carrier 2'")
    assert "9.4 L" in shell.done("machine export 'Carrier 2'")
    shell.done("machine export 'Carrier 2' -o out.toml")
    assert shell("plan out.toml --json").data == shell("plan --machine 'Carrier 2' --json").data


def test_a_photograph_in_the_log(shell: Shell) -> None:
    shell.start_job()
    exif = Image.Exif()
    exif.get_ifd(0x8825)[2] = (47.0, 16.0, 12.5)
    Image.new("RGB", (40, 30), "green").save(shell.folder / "x.png", exif=exif)
    assert "photograph: the plug" in shell.done("job photo x.png --caption 'the plug'")
    with Store.open(str(shell.folder / "yard.db")) as store:
        (kept,) = store.attachments.all()
        picture = Image.open(io.BytesIO(store.attachments.data(kept.sha256)))
    assert picture.size == (40, 30)
    assert not picture.getexif()
    assert "cannot read" in shell("job photo none.png").complaint
    (shell.folder / "x.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(40))
    assert "x.png: this file is not a photograph" in shell("job photo x.png").complaint
    assert "carrier.toml: files of the type" in shell("job photo carrier.toml").complaint


def test_another_fluid_and_far_too_much_are_taken_only_with_a_reason(shell: Shell) -> None:
    shell.start_job()
    shell.done("job drain 4.1 L")
    said = shell("job fill 4.1 L --fluid 'Coolant pink'").complaint
    assert "the sheet asks for Cable Green 7, and this is Coolant pink" in said
    assert "may be overfilled" in shell("job fill 8 L").complaint
    assert len([e for e in shell.events() if e.kind == "filled"]) == 1
    shell.done("job fill 4.1 L --fluid 'cable green 7'")
    told = shell.done("job fill 0.3 L --fluid 'Coolant pink' --reason 'nothing else in the yard'")
    assert "Coolant pink went in where the sheet asks for Cable Green 7" in told
    over = [e.body["step"] for e in shell.events() if e.kind == "overrode"]
    assert over == ["filled/fluid"]


def test_a_range_of_torques_is_the_tolerance_itself(shell: Shell) -> None:
    shell.sheet(SHEET.replace('torque = "27 N.m"', 'torque = ["25 N.m", "30 N.m"]'), "ranged.toml")
    shell.done("machine add ranged.toml --replace")
    shell.done("job start 'Carrier 2' --method line-discharge")
    assert "tighten it to 25 N·m to 30 N·m" in shell.done("job steps")
    for typed, words in (("34.4 N.m", "15 % above"), ("21.3 N.m", "15 % below")):
        assert words in shell(f"job tighten drain {typed} --new-seal").complaint
    shell.done("job tighten drain 30 N.m --new-seal")
