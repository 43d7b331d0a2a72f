"""A qualification on disk: order, hold points, breaks, re-runs, changed files, and the document at its end."""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from stepwitness.attempts import Refused, Why
from stepwitness.attendance import BrokenOff
from stepwitness.errors import BadInput
from stepwitness.qualification.document import SCHEMA, seal_qualification, sections_of
from stepwitness.qualification.model import load_qualification
from stepwitness.qualification.qualification import LOG_FILE, Setting, environment_values, read_progress
from stepwitness.qualification.running import conduct_unit, work
from stepwitness.records.ledger import LedgerError
from stepwitness.records.manifest import open_record, verify
from stepwitness.records.sealed import broken_places, open_sealed
from stepwitness.records.store import open_store

TODAY = date(2026, 11, 25)


def done(laboratory, **given: Any) -> str | None:
    """Work on what is due; the id of the hold point at which it stands."""
    with laboratory.open() as qualification:
        point = work(qualification, laboratory, today=lambda: TODAY, **given)
        return point.id if point else None


def again(laboratory, clause: str, serial: str, why: Why, note: str = "") -> None:
    with laboratory.open() as qualification:
        found = qualification.description.clause(clause)
        conduct_unit(qualification, found, serial, laboratory, why=why, note=note, today=TODAY)


def sections(laboratory) -> dict[str, Any]:
    return sections_of(read_progress(Setting(load_qualification(laboratory.file), laboratory.reports)))


def cell(laboratory, clause: str, serial: str) -> dict[str, Any]:
    return next(one for one in sections(laboratory)["matrix"] if (one["clause"], one["serial"]) == (clause, serial))


# -- order, hold points, conditions ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("order", "tested"),
    [("by clause", ["U1", "U2", "U3", "U1", "U2", "U3"]), ("by unit", ["U1", "U1", "U2", "U2", "U3", "U3"])],
)
def test_work_follows_the_order_of_the_file(laboratory, order: str, tested: list[str]) -> None:
    laboratory.ask(f"order: {order}\n")
    assert done(laboratory) is None
    assert laboratory.tested == tested
    told = sections(laboratory)
    assert told["end"]["statement"] == (
        "qualification TB-Q-1, doser, revision A: PASS. 2\u2009clauses met on 3\u2009units."
    )
    for one in told["matrix"]:
        (attempt,) = one["attempts"]
        record = open_record(laboratory.reports / attempt["folder"])
        assert verify(record.directory) == []
        assert (record.seal["sha256"], record.sections["axis"]["serial"]) == (attempt["seal"], one["serial"])


def test_work_stops_at_a_hold_point_until_somebody_releases_it(laboratory) -> None:
    laboratory.ask("hold_points:\n  - {id: H1, before: 4.2, title: reviewed}\n")
    with laboratory.open() as qualification, pytest.raises(Refused, match="work hasn't come to hold point H1"):
        qualification.release("H1")
    assert done(laboratory) == "H1"
    assert done(laboratory) == "H1"
    assert laboratory.tested == ["U1", "U2", "U3"]
    with laboratory.open() as qualification:
        with pytest.raises(BadInput, match="no hold point of this qualification; found 'H2'; allowed: H1"):
            qualification.release("H2")
        qualification.release("H1", note="looked at")
        with pytest.raises(Refused, match="hold point H1 was released at"):
            qualification.release("H1")
    assert done(laboratory) is None
    told = sections(laboratory)
    (point,) = told["hold_points"]
    assert (point["released"]["by"], point["released"]["text"]) == ("", "looked at")
    assert "initials of who released H1" in told["absent"]


def test_nothing_is_tested_before_preconditions_are_confirmed(laboratory) -> None:
    laboratory.ask("preconditions: [units are run in, the gauge is warm]\n")
    with pytest.raises(Refused, match=r"precondition 1 isn't confirmed \(units are run in\): .* qualify confirm .* 1"):
        done(laboratory)
    with laboratory.open() as qualification:
        for text in qualification.description.preconditions:
            qualification.confirm(text, by="AB")
    assert done(laboratory) is None
    assert [one["confirmed"]["by"] for one in sections(laboratory)["conditions"]["preconditions"]] == ["AB", "AB"]


def test_a_rehearsal_passes_what_a_person_sees_to_and_says_so(laboratory) -> None:
    laboratory.ask("preconditions: [units are run in]\nhold_points:\n  - {id: H1, before: 4.2, title: reviewed}\n")
    assert done(laboratory, rehearsal=True, by="AB") is None
    told = sections(laboratory)
    assert told["end"]["rehearsed"]
    assert told["hold_points"][0]["released"]["rehearsed"]
    assert told["conditions"]["preconditions"][0]["confirmed"]["by"] == ""
    assert "release of hold points by a person: it was a rehearsal" in told["absent"]


def test_the_environment_is_recorded_and_out_of_its_range_takes_a_deviation(laboratory) -> None:
    laboratory.ask("environment:\n  - {quantity: temperature, from: 20 °C, to: 26 °C}\n")
    with laboratory.open() as qualification:
        for values, error, told in (
            ({}, Refused, "temperature isn't recorded"),
            ({"temperature": "295 K"}, BadInput, "in another unit than the file's; found '295 K'"),
            ({"temperature": "22 °C", "noise": "3 dB"}, BadInput, "found noise; allowed: temperature"),
            ({"temperature": "26.01 °C"}, Refused, "temperature 26.01 °C, outside 20 °C to 26 °C: .* --deviation"),
        ):
            with pytest.raises(error, match=told):
                qualification.record_environment(values)
        assert qualification.course.recorded == ()
        qualification.record_environment({"temperature": "26 °C"})
        qualification.record_environment({"temperature": "27 °C"}, deviation="fan broken")
    assert done(laboratory) is None
    told = sections(laboratory)
    assert [one["values"]["temperature"] for one in told["conditions"]["recorded"]] == ["26 °C", "27 °C"]
    assert told["deviations"][0]["text"] == "fan broken"
    assert told["matrix"][0]["attempts"][0]["ambient"] == 1


def test_recorded_values_as_a_command_line_gives_them() -> None:
    assert environment_values(["temperature = 22.4 °C", "humidity=40 %"]) == {
        "temperature": "22.4 °C",
        "humidity": "40 %",
    }
    with pytest.raises(BadInput, match="not a recorded value; found 'warm'"):
        environment_values(["warm"])


def test_a_calibration_out_of_date_moves_nothing(laboratory) -> None:
    laboratory.write("lab.bench.yaml", (laboratory.folder / "lab.bench.yaml").read_text().replace("2999", "2026"))
    with laboratory.open() as qualification, pytest.raises(Refused, match="TB-C-0057 expired on 2026-12-31"):
        work(qualification, laboratory, today=lambda: date(2027, 1, 1))
    assert laboratory.tested == []


def test_only_the_unit_that_is_due_is_tested(laboratory) -> None:
    laboratory.scans = ["U2", "", "U1"]
    assert done(laboratory) is None
    assert [text for text in laboratory.said if "refused" in text] == [
        "refused: U2 isn't U1, which is due",
        "refused: nothing isn't U1, which is due",
    ]


# -- re-runs ---------------------------------------------------------------------------------------------------------


def test_a_rerun_never_replaces_the_first(laboratory) -> None:
    laboratory.offset_um = {"U2": [40.0, 40.0, 10.0]}
    assert done(laboratory) is None
    assert sections(laboratory)["end"]["verdict"] == "FAIL"
    first = cell(laboratory, "4.1", "U2")["attempts"][0]
    kept = (laboratory.reports / first["folder"] / "record.json").read_bytes()
    again(laboratory, "4.1", "U2", Why.REWORK, "new nut")
    again(laboratory, "4.2", "U2", Why.STUDY)
    told = cell(laboratory, "4.1", "U2")
    assert [one["verdict"] for one in told["attempts"]] == ["FAIL", "PASS"]
    assert (told["verdict"], told["counts"], told["because"]) == ("FAIL", 1, "the first record that decided it")
    assert told["attempts"][1]["reason"] == "rework: new nut"
    told = cell(laboratory, "4.2", "U2")
    assert (told["verdict"], told["counts"]) == ("FAIL", 1)
    again(laboratory, "4.2", "U2", Why.REWORK, "new nut")
    told = cell(laboratory, "4.2", "U2")
    assert [one["verdict"] for one in told["attempts"]] == ["FAIL", "PASS", "PASS"]
    assert (told["verdict"], told["counts"]) == ("PASS", 3)
    assert told["because"] == "a re-run for rework, which clause 4.2 lets count"
    assert (laboratory.reports / first["folder"] / "record.json").read_bytes() == kept
    later = open_record(laboratory.reports / told["attempts"][2]["folder"]).sections["run"]
    assert (later["attempt"], later["previous"]) == (3, told["attempts"][1]["record"])
    head, _, reason = sections(laboratory)["end"]["statement"].partition(". ")
    assert head == "qualification TB-Q-1, doser, revision A: FAIL"
    assert reason.startswith("Clause 4.1: 1 of 3\u2009units does not pass: U2 FAIL, offset O 40.0")


def test_what_is_decided_asks_for_a_reason_and_what_is_due_for_none(laboratory) -> None:
    with laboratory.open() as qualification:
        clause = qualification.description.clause("4.1")
        with pytest.raises(Refused, match=r"U1 isn't decided in clause 4\.1"):
            qualification.begin(clause, "U1", why=Why.STUDY)
        work(qualification, laboratory, today=lambda: TODAY)
        with pytest.raises(Refused, match=r"U1 is decided in clause 4\.1; a re-run has to state why"):
            qualification.begin(clause, "U1")


# -- breaks ----------------------------------------------------------------------------------------------------------


def test_a_break_at_any_question_leaves_it_where_it_can_be_carried_on(laboratory) -> None:
    for leaves_at in (1, 2, 3, 4, 13, 18, 23, 24):  # of four for each of six tests
        laboratory.asked, laboratory.leaves_at = [], leaves_at
        shutil.rmtree(laboratory.reports, ignore_errors=True)
        laboratory.tested.clear()
        with pytest.raises(BrokenOff):
            done(laboratory)
        laboratory.leaves_at = 10_000
        assert done(laboratory) is None
        assert len(laboratory.tested) == 6
        assert all(len(one["attempts"]) == 1 for one in sections(laboratory)["matrix"])


def test_an_attempt_that_left_its_unit_undecided_stops_the_work_and_is_kept(laboratory) -> None:
    def stall() -> None:
        from stepwitness.bench.errors import UnprovokedStall

        raise UnprovokedStall("a hand, perhaps")

    laboratory.happens = {2: stall}
    with pytest.raises(Refused, match=r"U2 isn't decided in clause 4\.1 by this record"):
        done(laboratory)
    assert laboratory.tested == ["U1", "U2"]
    assert done(laboratory) is None
    told = cell(laboratory, "4.1", "U2")
    assert [one["verdict"] for one in told["attempts"]] == ["ABORTED", "PASS"]
    assert told["attempts"][1]["reason"] == "the attempt before left the unit undecided"
    assert (told["counts"], told["verdict"]) == (2, "PASS")


@pytest.mark.parametrize("dies", [KeyboardInterrupt, SystemExit])
def test_an_interruption_within_a_unit_leaves_a_record_of_it(laboratory, dies: type[BaseException]) -> None:
    def die() -> None:
        raise dies

    laboratory.happens = {3: die}
    with pytest.raises(dies):
        done(laboratory)
    told = cell(laboratory, "4.1", "U3")
    assert len(told["attempts"]) == 1
    assert told["verdict"] is None
    assert done(laboratory) is None
    assert sections(laboratory)["end"]["verdict"] == "PASS"


def test_every_prefix_of_the_log_can_be_carried_on(laboratory) -> None:
    """A process that died after any act, and in the middle of writing any: the files beside it are as they were then
    or further on."""
    laboratory.ask("hold_points:\n  - {id: H1, before: 4.2, title: reviewed}\n")
    assert done(laboratory, rehearsal=True) is None
    folder = laboratory.reports / "qualifications-simulated" / "TB-Q-1"
    lines = (folder / LOG_FILE).read_bytes().splitlines(keepends=True)
    assert len(lines) == 1 + 6 * 2 + 1
    for kept in range(1, len(lines)):
        for torn in (b"", lines[kept][: len(lines[kept]) // 2])[kept % 2 :]:
            (folder / LOG_FILE).write_bytes(b"".join(lines[:kept]) + torn)
            before = sections(laboratory)
            assert done(laboratory, rehearsal=True) is None
            after = sections(laboratory)
            assert after["end"]["verdict"] == "PASS"
            seals = {one["seal"] for cell in after["matrix"] for one in cell["attempts"]}
            assert {one["seal"] for cell in before["matrix"] for one in cell["attempts"]} - {None} <= seals


def test_one_process_at_a_time_works_on_it(laboratory) -> None:
    with laboratory.open(), pytest.raises(LedgerError, match="another process works on it"):
        laboratory.open()


# -- changed files -----------------------------------------------------------------------------------------------------


def test_a_file_that_changed_is_noticed_and_takes_a_deviation_or_a_revision(laboratory) -> None:
    assert done(laboratory) is None
    laboratory.write("sway.plan.yaml", (laboratory.folder / "sway.plan.yaml").read_text().replace("25 um", "24 um"))
    with pytest.raises(Refused, match=r"sway\.plan\.yaml changed in mid-course: put it back, raise the revision"):
        done(laboratory)
    with laboratory.open() as qualification:
        assert qualification.deviate("limit as in the drawing", by="AB") == ("sway.plan.yaml",)
    laboratory.tested.clear()
    assert done(laboratory) is None
    assert laboratory.tested == ["U1", "U2", "U3"]  # a record counts for the plan by which it was taken
    told = sections(laboratory)
    assert [one["text"] for one in told["deviations"]] == ["limit as in the drawing"]
    assert told["deviations"][0]["about"] == "sway.plan.yaml"
    assert [one["earlier_plan"] for one in cell(laboratory, "4.1", "U1")["attempts"]] == [True, False]
    assert cell(laboratory, "4.1", "U1")["counts"] == 2
    assert len(told["texts"]["by_sha256"]) == 4  # two plans had one text, and one of them has another now


def test_a_new_revision_is_noted_by_itself_and_its_mark_is_new(laboratory) -> None:
    assert done(laboratory) is None
    laboratory.ask(revision="{mark: B, changes: a fourth unit}", units="U1 to U4")
    assert done(laboratory) is None
    told = sections(laboratory)
    (change,) = told["changes"]
    assert (change["revision"], change["text"], change["as_deviation"]) == ("B", "a fourth unit", False)
    assert laboratory.tested[6:] == ["U4", "U4"]
    assert "day of the revision" in told["absent"]
    laboratory.ask(units="U1 to U5")
    with pytest.raises(Refused, match="the revision 'A' was in force before"):
        done(laboratory)


def test_what_somebody_does_is_one_line_of_the_log(laboratory) -> None:
    """So that no kill parts a changed file, or a value out of its range, from the deviation that tells of it."""
    laboratory.ask("environment:\n  - {quantity: temperature, from: 20 °C, to: 26 °C}\n")
    log = laboratory.reports / "qualifications-simulated" / "TB-Q-1" / LOG_FILE
    with laboratory.open() as qualification:
        qualification.record_environment({"temperature": "27 °C"}, deviation="fan broken")
        assert len(log.read_bytes().splitlines()) == 2
    laboratory.write("sway.plan.yaml", (laboratory.folder / "sway.plan.yaml").read_text() + "# a note\n")
    with laboratory.open() as qualification:
        qualification.deviate("a note in the plan")
        assert len(log.read_bytes().splitlines()) == 3
    assert [one["text"] for one in sections(laboratory)["deviations"]] == ["fan broken", "a note in the plan"]


def test_attempts_of_what_the_file_has_no_more_stay_in_sight(laboratory) -> None:
    assert done(laboratory) is None
    laboratory.ask(revision="{mark: B, changes: one unit less}", units="U1 to U2")
    assert done(laboratory) is None
    assert [(one["clause"], one["serial"]) for one in sections(laboratory)["other_attempts"]] == [
        ("4.1", "U3"),
        ("4.2", "U3"),
    ]


# -- the document -----------------------------------------------------------------------------------------------------


def sealed(laboratory, **given: str) -> Path:
    with laboratory.open() as qualification:
        path, troubles = seal_qualification(qualification, **given)
    assert troubles == []
    return path


def test_the_document_is_sealed_drawn_and_filed_and_nothing_comes_after_it(laboratory) -> None:
    assert done(laboratory) is None
    path = sealed(laboratory, operator="AB", authorised_by="head of laboratory")
    assert broken_places(path) == []
    document = open_sealed(path, (SCHEMA,))
    assert document.sections["end"]["verdict"] == "PASS"
    assert document.sections["absent"] == [
        "preconditions: the file names none",
        "environment: the file asks for none, and none was recorded",
        "initials of who tested",
    ]
    assert path.with_suffix(".html").is_file()
    with open_store(reports=laboratory.reports) as store:
        (stored,) = store.documents("qualification")
        assert (stored.key, stored.seal) == ("qualifications-simulated/TB-Q-1", document.seal["sha256"])
        assert len(store.records(bench="lab-rig-1")) == 6
    with pytest.raises(Refused, match="is sealed"):
        laboratory.open()


def test_a_record_that_changed_keeps_the_document_from_being_sealed(laboratory) -> None:
    assert done(laboratory) is None
    attempt = cell(laboratory, "4.2", "U3")["attempts"][0]
    journal = laboratory.reports / attempt["folder"] / "sway.journal.jsonl"
    journal.write_bytes(journal.read_bytes().replace(b"looks", b"lookz"))
    with laboratory.open() as qualification, pytest.raises(Refused, match=r"record of U3 at clause 4\.2 .* sway"):
        seal_qualification(qualification)


def test_an_end_before_all_is_done_sentences_nothing(laboratory) -> None:
    laboratory.leaves_at = 10
    with pytest.raises(BrokenOff):
        done(laboratory)
    document = open_sealed(sealed(laboratory, note="the units are needed elsewhere"), (SCHEMA,))
    assert document.sections["end"]["verdict"] == "INCOMPLETE"
    assert document.sections["end"]["statement"].endswith(
        "INCOMPLETE, which sentences nothing. Clauses 4.1 and 4.2 are still open."
    )


def test_real_parts_move_only_where_every_bench_is_named(laboratory) -> None:
    with pytest.raises(BadInput, match="other-rig"):
        laboratory.open(live=("other-rig",))
    assert not laboratory.reports.exists()
