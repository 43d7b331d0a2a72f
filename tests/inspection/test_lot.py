"""A lot on disk: what is refused, what a break leaves, which record counts."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from stepwitness.attempts import Refused, Why
from stepwitness.attendance import BrokenOff
from stepwitness.errors import BadInput
from stepwitness.inspection.document import seal_lot
from stepwitness.inspection.inspecting import check_open, inspect, inspect_unit
from stepwitness.inspection.lot import read_progress
from stepwitness.inspection.model import load_lot
from stepwitness.inspection.sentence import Outcome
from stepwitness.inspection.supply import LOT_SCHEMA
from stepwitness.records.ledger import LedgerError
from stepwitness.records.manifest import open_record, verify
from stepwitness.records.sealed import broken_places, open_sealed

TODAY = date(2026, 11, 25)


def stall() -> None:
    from stepwitness.bench.errors import UnprovokedStall

    raise UnprovokedStall("a hand, perhaps")


def interrupt() -> None:
    raise KeyboardInterrupt


def die() -> None:
    raise SystemExit(9)


def inspected(inward, path: Path, *, seed: int = 1) -> dict[str, Any]:
    """The sections of a lot that was inspected to its end."""
    with inward.open(path) as lot:
        lot.draw(seed)
        inspect(lot, inward.operator, today=lambda: TODAY)
        assert not lot.standing.due
        document, troubles = seal_lot(lot, operator="AB")
        assert troubles == []
    return dict(open_sealed(document, (LOT_SCHEMA,)).sections)


def drawn(inward, path: Path, seed: int = 1) -> tuple[str, ...]:
    with inward.open(path) as lot:
        lot.draw(seed)
        return lot.progress.draw.serials


# -- from the draw to the sentence -------------------------------------------------------------------------------


def test_a_lot_of_good_units_is_accepted_with_a_record_of_each(inward) -> None:
    sections = inspected(inward, inward.lot())
    sample = sections["draw"]["serials"]
    assert inward.units.tested == sample
    assert (sections["sampling"]["sample"], sections["sampling"]["ac"], sections["draw"]["seed"]) == (3, 0, 1)
    assert sections["sentence"]["sentence"] == "accepted"
    assert sections["sentence"]["statement"].startswith(
        "lot 2026-117 of FS-2040-B from Fennick Screws: ACCEPTED. 0 of 3"
    )
    assert sections["sentence"]["simulated"] is True
    for unit in sections["units"]:
        (attempt,) = unit["attempts"]
        record = open_record(inward.reports / attempt["folder"])
        assert verify(record.directory) == []
        assert record.seal["sha256"] == attempt["seal"]
        assert record.sections["axis"]["serial"] == unit["serial"]
        assert (attempt["verdict"], unit["outcome"], unit["decided_by"]) == ("PASS", "conforming", 1)
        assert [one["characteristic"] for one in unit["findings"]] == ["offset", "worst"]


@pytest.mark.usefixtures("sheets")
def test_a_failure_is_told_at_once_and_its_readings_are_kept(inward) -> None:
    path = inward.lot()
    bad = drawn(inward, path)[0]
    inward.units.offset_um[bad] = 40.0
    sections = inspected(inward, path)
    said = inward.operator.said
    first = next(at for at, line in enumerate(said) if line.startswith("\nunit 2 of 3"))
    assert any(f"{bad}: FAIL. Offset O is 40.0" in line for line in said[:first])
    assert any(f"{bad} is nonconforming: keep it apart" in line for line in said[:first])
    assert any("not accepted already, with 1" in line for line in said[:first])
    assert sections["sentence"]["sentence"] == "not accepted"
    assert (sections["sentence"]["nonconforming"], sections["sentence"]["undecided"]) == (1, 0)
    folder = inward.reports / sections["units"][0]["attempts"][0]["folder"]
    assert (folder / "sway.journal.jsonl").is_file()
    assert (folder / "report.html").is_file()
    assert (inward.reports / "lots-simulated/Fennick-Screws/FS-2040-B/2026-117/lot.html").is_file()


def test_the_sample_is_drawn_once(inward) -> None:
    path = inward.lot()
    assert drawn(inward, path, 1) == drawn(inward, path, 2)


def test_a_seed_is_made_and_recorded_where_none_is_given(inward) -> None:
    with inward.open(inward.lot()) as lot:
        lot.draw()
        seed = lot.progress.draw.seed
    assert 0 <= seed < 2**48


def test_a_lot_that_is_sentenced_isnt_inspected_again(inward) -> None:
    path = inward.lot()
    inspected(inward, path)
    with inward.open(path) as lot, pytest.raises(Refused, match=r"has its sentence .* says 'resubmits: 2026-117'"):
        check_open(lot)


# -- what is refused -----------------------------------------------------------------------------------------------


def test_wrong_and_repeated_serial_numbers_are_refused_with_the_reason_and_noted(inward) -> None:
    path = inward.lot()
    sample = drawn(inward, path)
    other = next(serial for serial in load_lot(path)[0].serials if serial not in sample)
    inward.operator.scans = [sample[0], "TB-0417", other, sample[0], "", sample[2], sample[1]]
    sections = inspected(inward, path)
    assert [(one["scanned"], one["problem"].partition(" (")[0]) for one in sections["refusals"]] == [
        ("TB-0417", "isn't a unit of this lot"),
        (other, "is a unit of this lot that wasn't drawn"),
        (sample[0], "was tested already"),
        ("", "isn't a unit of this lot"),
    ]
    assert inward.units.tested == [sample[0], sample[2], sample[1]]
    assert f"{sample[2]} was drawn too, and is taken now." in inward.operator.said


def test_a_unit_of_an_earlier_lot_is_refused_before_anything_is_drawn(inward) -> None:
    tested = inspected(inward, inward.lot())["draw"]["serials"]
    again = inward.lot("2026-118", serials="FS-0401 to FS-0425")
    with inward.open(again) as lot, pytest.raises(Refused, match=r"(and 2 more)? was tested before, in lot 2026-117"):
        lot.draw(1)
    assert len(tested) == 3
    with inward.open(again) as lot:
        assert lot.standing.draw is None


def test_a_lot_that_was_refused_may_be_mended_before_it_is_drawn(inward) -> None:
    inspected(inward, inward.lot())
    with inward.open(inward.lot("2026-118", serials="FS-0401 to FS-0425")) as lot, pytest.raises(Refused):
        lot.draw(1)
    mended = inward.lot("2026-118", serials="FS-0401 to FS-0425", resubmits="2026-117")
    assert inspected(inward, mended)["switching"]["counts"] is False
    third = inward.lot("2026-119", serials="FS-0401 to FS-0425", resubmits="2026-118")
    assert inspected(inward, third)["sentence"]["sentence"] == "accepted", "its units were in both lots before"


def test_a_calibration_that_runs_out_between_two_units_stops_before_the_next(inward) -> None:
    bench = inward.folder / "doser.bench.yaml"
    bench.write_text(bench.read_text().replace("2999-12-31", "2026-11-25"))
    days = iter([TODAY, date(2026, 11, 26)])
    with inward.open(inward.lot()) as lot:
        lot.draw(1)
        with pytest.raises(
            Refused, match=r"the gauge's calibration TB-C-0057 expired on 2026-11-25; no unit is tested"
        ):
            inspect(lot, inward.operator, today=lambda: next(days))
        assert len(inward.units.tested) == 1


def test_a_bench_of_real_parts_that_isnt_armed_is_refused(inward) -> None:
    with inward.open(inward.lot()) as lot:
        lot.rig.check(TODAY)
        unarmed = replace(lot.rig, bench=replace(lot.rig.bench, stand_in=None))
        with pytest.raises(BadInput, match=r"arm it with '--live incoming-rig-1'"):
            unarmed.check(TODAY)
        with pytest.raises(BadInput, match=r"'--live' with a stand-in for the drive"):
            replace(lot.rig, live="incoming-rig-1").check(TODAY)


@pytest.mark.parametrize("file", ["2026-117.lot.yaml", "doser.plan.yaml"])
def test_files_that_changed_since_the_draw_are_refused(inward, file: str) -> None:
    path = inward.lot()
    drawn(inward, path)
    changed = inward.folder / file
    changed.write_text(changed.read_text().replace("4 %", "6.5 %").replace("25 um", "50 um"))
    with pytest.raises(
        Refused, match=rf"{file}: the (lot|plan) file isn't the one by which this lot's sample was drawn"
    ):
        inward.open(path)


def test_two_processes_dont_work_on_one_lot(inward) -> None:
    path = inward.lot()
    with inward.open(path), pytest.raises(LedgerError, match=r"another process works on it"):
        inward.open(path)


def test_another_lot_of_the_part_waits_for_the_sentence_of_the_one_under_way(inward) -> None:
    drawn(inward, inward.lot())
    with (
        inward.open(inward.lot("2026-118")) as lot,
        pytest.raises(Refused, match=r"lot 2026-117 of FS-2040-B .* is under way"),
    ):
        lot.draw(1)
    inspected(inward, inward.lot())
    inspected(inward, inward.lot("2026-118"))


def test_a_record_that_was_changed_sentences_nothing(inward) -> None:
    path = inward.lot()
    with inward.open(path) as lot:
        lot.draw(1)
        inspect(lot, inward.operator, today=lambda: TODAY)
        journal = inward.reports / lot.standing.attempts[1].folder / "sway.journal.jsonl"
        journal.write_bytes(journal.read_bytes().replace(b'"offset_m":[', b'"offset_m":[-'))
        with pytest.raises(Refused, match=rf"the record of {lot.standing.attempts[1].serial} .* can't be relied on"):
            seal_lot(lot)
        assert not lot.sentenced


# -- breaks -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("question", range(1, 13))
def test_a_break_at_any_question_is_carried_on_without_a_second_test(inward, question: int) -> None:
    path = inward.lot()
    inward.operator.leaves_at = question
    with inward.open(path) as lot:
        lot.draw(1)
        with pytest.raises(BrokenOff):
            inspect(lot, inward.operator, today=lambda: TODAY)
    inward.operator.leaves_at = 10_000
    sections = inspected(inward, path)
    assert sections["sentence"]["sentence"] == "accepted"
    assert sorted(inward.units.tested) == sorted(sections["draw"]["serials"])


@pytest.mark.parametrize(("happens", "told"), [(stall, "a hand, perhaps"), (interrupt, "interrupted")])
def test_an_aborted_unit_stays_due_and_its_record_is_kept(inward, happens, told: str) -> None:
    path = inward.lot()
    first = drawn(inward, path)[0]
    inward.units.happens[first] = happens
    with inward.open(path) as lot:
        try:
            inspect(lot, inward.operator, today=lambda: TODAY)
        except KeyboardInterrupt:
            assert happens is interrupt
        assert lot.standing.due[-1] == first
        assert not lot.progress.judgement.decided
    sections = inspected(inward, path)
    unit = sections["units"][0]
    assert unit["serial"] == first
    assert [one["verdict"] for one in unit["attempts"]] == ["ABORTED", "PASS"]
    assert (unit["decided_by"], unit["outcome"]) == (2, "conforming")
    again = open_record(inward.reports / unit["attempts"][1]["folder"]).sections["run"]
    assert (again["attempt"], again["previous"]) == (2, unit["attempts"][0]["record"])
    assert again["reason"] == "the attempt before left the unit undecided"
    assert told in unit["attempts"][0]["statement"]


def test_a_process_that_died_within_a_unit_leaves_an_aborted_record_of_it(inward) -> None:
    """The ledger and the journal as kill -9 leaves them: begun, some readings committed, nothing ended."""
    path = inward.lot()
    first = drawn(inward, path)[0]
    from stepwitness.records.bench_journal import BenchJournal

    with inward.open(path) as lot:
        attempt = lot.begin(first)
        folder = inward.reports / attempt.folder
        with BenchJournal(folder / "sway.journal.jsonl", lot.plan.procedures[0], lot.rig.bench, None) as journal:
            journal.write("looks", {"offset_m": 1e-5, "worst_m": 2e-5})
            journal.commit()
    sections = inspected(inward, path)
    assert any(line.startswith(f"{first} was under test when the process died") for line in inward.operator.said)
    attempts = sections["units"][0]["attempts"]
    assert [one["verdict"] for one in attempts] == ["ABORTED", "PASS"]
    assert verify(folder) == []
    assert open_record(folder).sections["procedures"][0]["outcome"] == "unfinished"


def test_a_process_that_died_before_anything_moved_leaves_no_record(inward) -> None:
    path = inward.lot()
    first = drawn(inward, path)[0]
    with inward.open(path) as lot:
        lot.begin(first)
    sections = inspected(inward, path)
    attempts = sections["units"][0]["attempts"]
    assert [one["verdict"] for one in attempts] == [None, "PASS"]
    assert attempts[0]["statement"] == "nothing was acquired before the process died"


def test_a_process_that_died_after_the_record_was_sealed_loses_nothing(inward) -> None:
    """As where it died between the record and the ledger's line of it."""
    path = inward.lot()
    with inward.open(path) as lot:
        lot.draw(1)
        inspect_unit(lot, lot.standing.due[0], inward.operator, today=TODAY)
        ledger = lot.folder / "lot.ledger.jsonl"
    lines = ledger.read_bytes().splitlines(keepends=True)
    assert b'"event":"tested"' in lines[-1]
    ledger.write_bytes(b"".join(lines[:-1]) + lines[-1][:50])
    sections = inspected(inward, path)
    assert len(inward.units.tested) == 3
    assert [len(unit["attempts"]) for unit in sections["units"]] == [1, 1, 1]


def test_every_cut_of_the_ledger_is_carried_on_to_the_same_sentence(inward) -> None:
    """As a process that died at any instant: the ledger ends anywhere, the records of tested units stand."""
    path = inward.lot()
    with inward.open(path) as lot:
        lot.draw(1)
        inspect(lot, inward.operator, today=lambda: TODAY)
        ledger, draw = lot.folder / "lot.ledger.jsonl", lot.progress.draw.serials
    whole = ledger.read_bytes()
    first = whole.index(b"\n") + 1
    starts = [at + 1 for at, byte in enumerate(whole[:-1]) if byte == 10]
    cuts = sorted({*starts, *(at + 30 for at in starts), *range(first, len(whole), 997)})
    kept = inward.folder / "kept"
    shutil.copytree(inward.reports, kept)
    for cut in cuts:
        shutil.rmtree(inward.reports)
        shutil.copytree(kept, inward.reports)
        ledger.write_bytes(whole[:cut])
        sections = inspected(inward, path)
        assert sections["sentence"]["sentence"] == "accepted"
        assert tuple(sections["draw"]["serials"]) == draw
        for unit in sections["units"]:
            assert all(verify(inward.reports / one["folder"]) == [] for one in unit["attempts"] if one["record"])


# -- retests ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sentenced", [False, True])
def test_a_retest_says_why_and_never_replaces_the_first(inward, sentenced: bool) -> None:
    path = inward.lot()
    bad = drawn(inward, path)[0]
    inward.units.offset_um[bad] = 40.0
    if sentenced:
        inspected(inward, path)
    else:
        with inward.open(path) as lot:
            inspect(lot, inward.operator, today=lambda: TODAY)
    inward.units.offset_um[bad] = 5.0
    with inward.open(path) as lot:
        before = lot.document.read_bytes() if sentenced else b""
        attempt = inspect_unit(lot, bad, inward.operator, why=Why.REWORK, note="new nut", today=TODAY)
        assert attempt.outcomes is not None
        assert attempt.outcomes.outcome is Outcome.CONFORMING
        run = open_record(inward.reports / attempt.folder).sections["run"]
        assert (run["attempt"], run["reason"]) == (2, "rework: new nut")
        assert run["previous"] == lot.standing.of(bad)[0].outcomes.record
        assert lot.progress.judgement.sentence.value == "not accepted"
        assert lot.progress.judgement.nonconforming == 1
        if sentenced:
            assert lot.document.read_bytes() == before
    described, plan, _ = load_lot(path)
    seen = read_progress(described, plan, lot.rig, inward.reports)
    assert [one.why for one in seen.standing.of(bad)] == [None, Why.REWORK]


def test_what_isnt_decided_or_drawn_isnt_tested_again(inward) -> None:
    path = inward.lot()
    sample = drawn(inward, path)
    other = next(serial for serial in load_lot(path)[0].serials if serial not in sample)
    with inward.open(path) as lot:
        with pytest.raises(Refused, match=r"isn't decided yet"):
            lot.check_decided(sample[0])
        with pytest.raises(Refused, match=r"isn't one of the 3 units that were drawn"):
            lot.check_decided(other)


def test_another_unit_than_the_one_to_be_tested_again_is_refused(inward) -> None:
    path = inward.lot()
    sample = inspected(inward, path)["draw"]["serials"]
    inward.operator.scans = [sample[1], sample[0]]
    with inward.open(path) as lot:
        inspect_unit(lot, sample[0], inward.operator, why=Why.STUDY, today=TODAY)
        assert lot.standing.refusals[-1]["problem"] == f"isn't the unit to be tested again, {sample[0]}"
    assert inward.units.tested == [*sample, sample[0]]


def test_a_unit_that_is_still_open_may_be_scanned_again_in_anothers_place(inward) -> None:
    path = inward.lot()
    sample = drawn(inward, path)
    inward.units.happens[sample[0]] = stall
    inward.operator.scans = [sample[0], sample[0]]
    sections = inspected(inward, path)
    assert inward.units.tested == [sample[0], sample[0], sample[1], sample[2]]
    assert [len(unit["attempts"]) for unit in sections["units"]] == [2, 1, 1]


# -- open units ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("counting", "sentence"), [("nonconforming", "not accepted"), ("conforming", "accepted")])
def test_inconclusive_counts_as_the_lot_says(inward, counting: str, sentence: str) -> None:
    path = inward.lot(inconclusive=counting)
    inward.units.offset_um[drawn(inward, path)[1]] = 24.5
    sections = inspected(inward, path)
    assert sections["units"][1]["attempts"][0]["verdict"] == "INCONCLUSIVE"
    assert sections["sentence"]["sentence"] == sentence


def test_a_unit_that_cant_be_seen_leaves_the_sample_incomplete_and_the_lot_is_closed_so(inward) -> None:
    path = inward.lot()
    blind = drawn(inward, path)[1]
    inward.units.worst_um[blind] = None
    with inward.open(path) as lot:
        inspect(lot, inward.operator, today=lambda: TODAY)
        assert lot.standing.due == [blind]
        document, _ = seal_lot(lot, note="the gauge is away")
    assert broken_places(document) == []
    sections = open_sealed(document, (LOT_SCHEMA,)).sections
    assert sections["sentence"]["sentence"] == "sample incomplete"
    assert sections["sentence"]["note"] == "the gauge is away"
    assert "2 of 3 units decided" in sections["sentence"]["statement"].replace("\u2009", " ")
    assert f"still open: {blind}" in sections["sentence"]["statement"]
    assert sections["switching"]["counts"] is False
