"""The stage of inspection, carried from lot to lot of one supplier's part: the standard's rules, case by case.

The cases are those of the state machine's own tests, and here whole lots are drawn, tested, judged and sealed. Numbers
of the rules: MIL-STD-105E 4.7 and 4.8, and as `metrology.switching` names its sources for ISO 2859-1.
"""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from stepwitness.attempts import Refused
from stepwitness.errors import BadInput
from stepwitness.inspection.document import seal_lot
from stepwitness.inspection.inspecting import inspect
from stepwitness.inspection.supply import LOT_SCHEMA, HistoryBroken, Supply, plain_state, state_from
from stepwitness.metrology.sampling import single_plan
from stepwitness.metrology.switching import Stage, State
from stepwitness.records.sealed import open_sealed, read_sealed
from stepwitness.records.signature import make_key, sign

TODAY = date(2026, 11, 25)


class Deliveries:
    """One supplier's lots: + all units good, - as many bad as the plan turns down, o one more than Ac."""

    def __init__(self, inward, **said: str) -> None:
        self.inward, self.said, self.count = inward, said, 0
        self.stages: list[str] = []

    def arrive(self, marks: str, **said: str) -> dict[str, Any]:
        for mark in marks:
            self.count += 1
            last = self._one(f"2026-{self.count:03d}", mark, {**self.said, **said})
        return last

    def _one(self, number: str, mark: str, said: dict[str, str]) -> dict[str, Any]:
        with self.inward.open(self.inward.lot(number, **said)) as lot:
            lot.draw(7)
            plan, sample = lot.progress.sampling_plan.attributes, lot.progress.draw.serials
            self.stages.append(lot.progress.draw.stage.value)
            bad = {"+": 0, "-": plan.re, "o": plan.ac + 1}[mark]
            self.inward.units.offset_um |= dict.fromkeys(sample[:bad], 40.0)
            inspect(lot, self.inward.operator, today=lambda: TODAY)
            document, _ = seal_lot(lot)
        return dict(open_sealed(document, (LOT_SCHEMA,)).sections)

    @property
    def stage(self) -> str:
        return self.supply.state(self.edition).stage.value

    @property
    def edition(self) -> Any:
        return "MIL-STD-105E" if "MIL" in self.said.get("sampling", "") else "ISO 2859-1:1999"

    @property
    def supply(self) -> Supply:
        folder = self.inward.reports / "lots-simulated" / "Fennick-Screws" / "FS-2040-B"
        return Supply(folder, "Fennick Screws", "FS-2040-B")


ISO = '{edition: "ISO 2859-1:1999", aql: 4 %}'
MIL = "{edition: MIL-STD-105E, aql: 4 %}"


@pytest.mark.parametrize("sampling", [ISO, MIL], ids=["ISO", "MIL"])
@pytest.mark.parametrize(
    ("lots", "stages", "then"),
    [
        ("-", "n", "normal"),
        ("--", "nn", "tightened"),
        ("-+++-", "nnnnn", "tightened"),
        ("-++++-", "nnnnnn", "normal"),
        ("--+++++", "nnttttt", "normal"),
        ("--++++-+++++", "nntttttttttt", "normal"),
        ("-------", "nnttttt", "discontinued"),
    ],
)
def test_normal_tightened_discontinued(inward, sampling: str, lots: str, stages: str, then: str) -> None:
    series = Deliveries(inward, sampling=sampling)
    series.arrive(lots)
    assert "".join(stage[0] for stage in series.stages) == stages
    assert series.stage == then


def test_the_sample_is_that_of_the_stage(inward) -> None:
    """25 units, level II, letter C, AQL 4 %: normal n = 3, tightened n = 5, Ac 0 each (MIL-STD-105E, II-A and II-B)."""
    series = Deliveries(inward, sampling=ISO)
    normal = series.arrive("--")
    tightened = series.arrive("+")
    assert (normal["sampling"]["stage"], normal["sampling"]["sample"]) == ("normal", 3)
    assert (tightened["sampling"]["stage"], tightened["sampling"]["sample"]) == ("tightened", 5)
    assert normal["switching"]["statement"] == (
        "Inspection goes on tightened: 2 of 5 or fewer lots in a row weren't accepted."
    )


def test_discontinued_inspection_takes_no_lot_until_the_supplier_has_acted(inward) -> None:
    series = Deliveries(inward, sampling=ISO)
    series.arrive("-------")
    with pytest.raises(Refused, match="is discontinued; once the supplier has acted, 'stepwitness lot resume'"):
        series.arrive("+")
    note = series.supply.resume(action="a new tap, and a gauge at the machine", operator="AB")
    assert note.name == "resumption-8.json"
    assert series.stage == "tightened"
    with pytest.raises(BadInput, match="nothing to resume; found inspection is tightened"):
        series.supply.resume(action="again", operator="")
    sections = series.arrive("+")
    assert (sections["switching"]["number"], sections["sampling"]["stage"]) == (9, "tightened")


def test_signatures_beside_sentences_and_notes_are_no_part_of_the_history(inward, tmp_path: Path) -> None:
    series = Deliveries(inward, sampling=ISO)
    series.arrive("-------")
    key = tmp_path / "lab.pem"
    make_key(key)
    series.supply.resume(action="a new tap", operator="AB")
    before = [one.path for one in series.supply.chain]
    for path in before:
        sign(path, read_sealed(path).seal["sha256"], key, passphrase=lambda: "")
    assert [one.path for one in series.supply.chain] == before
    assert series.arrive("+")["switching"]["number"] == 9


def test_reduced_and_back(inward) -> None:
    """MIL-STD-105E: ten lots on normal accepted, the limit number kept; one between Ac and Re ends it."""
    series = Deliveries(
        inward, sampling="{edition: MIL-STD-105E, aql: 10 %}", reduction="{wanted: yes, limit_number: 0}"
    )
    series.arrive("+" * 10)
    assert series.stage == "reduced"
    reduced = single_plan(25, aql_percent=10, edition="MIL-STD-105E", severity="reduced")
    assert reduced.re > reduced.ac + 1, "there is a gap"
    sections = series.arrive("o")
    assert sections["sampling"]["sample"] == reduced.sample
    assert sections["sentence"]["sentence"] == "accepted"
    assert series.stage == "normal"


def test_without_the_wish_or_the_number_nothing_is_reduced(inward) -> None:
    series = Deliveries(inward, sampling=MIL, reduction="{wanted: yes}")
    series.arrive("+" * 11)
    assert set(series.stages) == {"normal"}


def test_unsteady_production_ends_reduced_inspection(inward) -> None:
    series = Deliveries(inward, sampling=MIL, reduction="{wanted: yes, limit_number: 0}")
    series.arrive("+" * 11)
    assert series.stages[-1] == "reduced"
    series.arrive("+", reduction="{wanted: yes, limit_number: 0, steady_production: no}")
    assert series.stage == "normal"


def test_reduced_inspection_ends_where_it_isnt_wanted_any_more_and_doesnt_pass_to_another_edition(inward) -> None:
    series = Deliveries(inward, sampling=MIL, reduction="{wanted: yes, limit_number: 0}")
    series.arrive("+" * 10)
    assert series.stage == "reduced"
    assert series.supply.state("ISO 2859-1:1999").stage is Stage.NORMAL
    series.arrive("+", reduction="{wanted: no}")
    assert (series.stages[-1], series.stage) == ("reduced", "normal")


def test_a_resubmitted_lot_doesnt_count_but_one_that_was_never_sentenced_does(inward) -> None:
    series = Deliveries(inward, sampling=ISO)
    series.arrive("-")
    serials = "2026-001-01 to 2026-001-25"
    inward.units.offset_um.clear()
    again = series.arrive("+", resubmits="2026-001", serials=serials)
    assert again["switching"]["counts"] is False
    assert again["switching"]["before"] == again["switching"]["after"]
    with pytest.raises(Refused, match="lot 2026-090, which 2026-003 resubmits, has no sentence here"):
        series.arrive("+", resubmits="2026-090")
    with inward.open(inward.lot("2026-050")) as lot:
        lot.draw(1)
        seal_lot(lot, note="sent back unopened")
    series.count = 60
    third = series.arrive("-", resubmits="2026-050", serials="2026-050-01 to 2026-050-25")
    assert third["switching"]["counts"] is True
    assert series.stage == "tightened", "2 of the last 5 original lots"


def test_an_incomplete_sample_leaves_the_stage_as_it_was(inward) -> None:
    series = Deliveries(inward, sampling=ISO)
    series.arrive("-")
    with inward.open(inward.lot("2026-050")) as lot:
        lot.draw(1)
        document, _ = seal_lot(lot, note="the rig is needed elsewhere")
    switching = open_sealed(document, (LOT_SCHEMA,)).sections["switching"]
    assert switching["before"] == switching["after"]
    assert (switching["number"], switching["counts"]) == (2, False)


def test_another_edition_keeps_the_stage(inward) -> None:
    """Else a supplier on tightened inspection would be back on normal by a new line in a file."""
    series = Deliveries(inward, sampling=ISO)
    series.arrive("--")
    assert series.supply.state("MIL-STD-105E") == State("MIL-STD-105E", Stage.TIGHTENED)


def test_suppliers_and_parts_have_stages_of_their_own(inward) -> None:
    series = Deliveries(inward, sampling=ISO)
    series.arrive("--")
    other = series.arrive("+", part="FS-2040-C")
    assert other["sampling"]["stage"] == "normal"
    other = series.arrive("+", supplier="Gorse Screws")
    assert other["sampling"]["stage"] == "normal"


def test_what_ran_on_stand_ins_says_nothing_of_real_lots(inward) -> None:
    series = Deliveries(inward, sampling=ISO)
    series.arrive("--")
    assert not (inward.reports / "lots").exists()


def test_two_names_that_share_a_folder_are_told_apart(inward) -> None:
    series = Deliveries(inward, sampling=ISO)
    series.arrive("+")
    with pytest.raises(HistoryBroken, match="is a lot of FS-2040-B from Fennick Screws; names that differ in signs"):
        series.arrive("+", supplier="Fennick/Screws")


@pytest.mark.parametrize("harm", ["changed", "lost", "forged"])
def test_a_chain_that_isnt_whole_starts_no_lot(inward, harm: str) -> None:
    series = Deliveries(inward, sampling=ISO)
    series.arrive("--+")
    document = series.supply.folder / "2026-002" / "lot.json"
    if harm == "changed":
        document.write_bytes(document.read_bytes().replace(b'"tightened"', b'"normal"'))
    elif harm == "lost":
        document.unlink()
        (series.supply.folder / "2026-002" / "lot.ledger.jsonl").unlink()
    else:  # sealed anew by whoever changed it: the lot after it names another seal
        from stepwitness.records.sealed import write_sealed

        sections = json.loads(document.read_bytes())["sections"]
        sections["sentence"]["sentence"] = "accepted"
        document.unlink()
        write_sealed(document, LOT_SCHEMA, sections)
    with pytest.raises(HistoryBroken, match=r"2026-00[23]"):
        series.arrive("+")


def test_a_state_comes_back_as_it_was_written() -> None:
    state = State("MIL-STD-105E", Stage.TIGHTENED, (True, False), 3, (0, 1, 2), 4, 12)
    assert state_from(json.loads(json.dumps(plain_state(state)))) == state
