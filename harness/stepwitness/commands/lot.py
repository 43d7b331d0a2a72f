"""`stepwitness lot`: incoming inspection of a lot, unit by unit, to its sentence."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stepwitness.commands.documents import draw_page, told_broken
from stepwitness.commands.lot_screen import SHEET, say_head, say_json, say_lot, sections_now
from stepwitness.commands.terminal import NOT_GOOD, OK, Commands, say
from stepwitness.errors import BadInput

if TYPE_CHECKING:
    from stepwitness.attendance import Operator
    from stepwitness.inspection.description import LotDescription
    from stepwitness.inspection.lot import Lot
    from stepwitness.plan.description import Plan
    from stepwitness.rig import Rig

REPORTS = Path("reports")


def add(commands: Commands) -> None:
    lot = commands.add_parser(
        "lot", help="incoming inspection of a lot: draw a sample, test it unit by unit, sentence it"
    )
    of = lot.add_subparsers(metavar="ACTION", required=True)

    inspect = of.add_parser(
        "inspect", help="draw the sample, test each unit that is due, sentence the lot; or carry on"
    )
    _lot_options(inspect)
    _testing_options(inspect)
    inspect.add_argument("--seed", type=int, metavar="N", help="draw with this seed (default: a random one, recorded)")
    inspect.set_defaults(run=_inspect)

    retest = of.add_parser("retest", help="test a unit again that is decided; the first record stands")
    _lot_options(retest)
    _testing_options(retest)
    retest.add_argument("serial", metavar="SERIAL", help="serial number of the unit")
    retest.add_argument("--why", required=True, choices=("rework", "study", "dispute"), help="why it is tested again")
    retest.add_argument("--note", default="", metavar="TEXT", help="what the record is to say of it besides")
    retest.set_defaults(run=_retest)

    show = of.add_parser("show", help="say how far a lot is, or how it was sentenced")
    _lot_options(show)
    show.set_defaults(run=_show)

    close = of.add_parser("close", help="sentence a lot as it stands, though its sample isn't whole")
    _lot_options(close)
    close.add_argument("--note", required=True, metavar="TEXT", help="why the sample stays incomplete")
    close.set_defaults(run=_close)

    resume = of.add_parser("resume", help="note that the supplier has acted, after inspection was discontinued")
    _lot_options(resume)
    resume.add_argument("--action", required=True, metavar="TEXT", help="what the supplier has done")
    resume.set_defaults(run=_resume)


def _lot_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="LOT", type=Path, help="a lot file (*.lot.yaml)")
    parser.add_argument(
        "--live", default="", metavar="BENCH", help="the bench's name: its real parts are used, and move"
    )
    parser.add_argument(
        "--reports", type=Path, default=REPORTS, metavar="DIR", help="folder of records and lots (default: reports)"
    )
    parser.add_argument("--operator", default="", metavar="INITIALS", help="who does it; may be left out")
    parser.add_argument("--json", action="store_true", help="print the lot as JSON; all else goes to standard error")


def _testing_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--over", default="", metavar="WAY", help="how stand-ins are reached (default: as the bench says)"
    )
    parser.add_argument("--unattended", action="store_true", help="ask nobody; for stand-ins alone")


# -- actions -----------------------------------------------------------------------------------------------------


def _inspect(given: argparse.Namespace) -> int:
    from datetime import date

    from stepwitness.inspection.document import seal_lot
    from stepwitness.inspection.inspecting import check_open, inspect

    operator = _operator(given)
    with _lot(given) as lot:
        check_open(lot)
        lot.rig.check(date.today())
        lot.draw(given.seed)
        say_head(sections_now(lot.progress), to_error=given.json)
        inspect(lot, operator, initials=given.operator)
        if lot.standing.due:
            _file(given, None)
            return _told(given, sections_now(lot.progress), lot.folder)
        _, troubles = seal_lot(lot, operator=given.operator)
        return _told_sentence(given, lot.document, troubles)


def _retest(given: argparse.Namespace) -> int:
    from datetime import date

    from stepwitness.attempts import Why
    from stepwitness.inspection.inspecting import inspect_unit
    from stepwitness.inspection.sentence import Outcome

    operator = _operator(given)
    with _lot(given) as lot:
        lot.check_decided(given.serial)
        attempt = inspect_unit(
            lot,
            given.serial,
            operator,
            initials=given.operator,
            why=Why(given.why),
            note=given.note,
            today=date.today(),
        )
        _file(given, None)
        operator.say("This record counts for nothing in the lot's sentence; the first one stands.")
        if given.json:
            say_json(sections_now(lot.progress), lot.folder)
        assert attempt.outcomes is not None
        return OK if attempt.outcomes.outcome is Outcome.CONFORMING else NOT_GOOD


def _show(given: argparse.Namespace) -> int:
    from stepwitness.inspection.lot import folder_of, read_progress
    from stepwitness.inspection.supply import LOT_FILE

    description, plan, rig = _files(given)
    folder = folder_of(description, rig, given.reports)
    sealed = (folder / LOT_FILE).exists()
    sections = (
        _opened(folder / LOT_FILE) if sealed else sections_now(read_progress(description, plan, rig, given.reports))
    )
    if sealed and not (folder / SHEET).exists():
        draw_page(folder / LOT_FILE)  # its process died between its sentence and its sheet
    altered = sealed and told_broken(folder / LOT_FILE)
    if not given.json:
        say_head(sections)
    told = _told(given, sections, folder)
    return NOT_GOOD if altered else told


def _close(given: argparse.Namespace) -> int:
    from stepwitness.inspection.document import seal_lot
    from stepwitness.inspection.inspecting import check_open

    with _lot(given) as lot:
        check_open(lot)
        lot.recover()
        _, troubles = seal_lot(lot, operator=given.operator, note=given.note)
        return _told_sentence(given, lot.document, troubles)


def _resume(given: argparse.Namespace) -> int:
    from stepwitness.inspection.lot import folder_of
    from stepwitness.inspection.supply import Supply

    description, _, rig = _files(given)
    supply = Supply(folder_of(description, rig, given.reports).parent, description.supplier, description.part)
    path = supply.resume(action=given.action, operator=given.operator)
    say(f"Inspection of {description.part} from {description.supplier} goes on, tightened.")
    say(str(path))
    return OK


# -- what they share -----------------------------------------------------------------------------------------------


def _files(given: argparse.Namespace) -> tuple[LotDescription, Plan, Rig]:
    from stepwitness.inspection.model import load_lot
    from stepwitness.rig import Rig
    from stepwitness.site import SiteFacts

    SiteFacts(operator=given.operator)  # refuses more than initials
    description, plan, bench = load_lot(given.file)
    return description, plan, Rig(bench, given.live, getattr(given, "over", ""))


def _lot(given: argparse.Namespace) -> Lot:
    from stepwitness.inspection.lot import Lot

    return Lot(*_files(given), given.reports)


def _operator(given: argparse.Namespace) -> Operator:
    from stepwitness.commands.prompts import AtTerminal, Unattended

    if not given.unattended:
        return AtTerminal(to_error=given.json)
    if given.live:
        raise BadInput("'--unattended' with real parts", found=f"--live {given.live}", allowed="stand-ins alone")
    return Unattended(to_error=given.json)


def _told_sentence(given: argparse.Namespace, document: Path, troubles: Sequence[str]) -> int:
    for trouble in troubles:
        say(trouble, to_error=True)
    _file(given, document)
    return _told(given, _opened(document), document.parent)


def _file(given: argparse.Namespace, document: Path | None) -> None:
    """Hand over what is new to the store; what stays behind is a line."""
    from stepwitness.inspection.filing import file_lot

    for remark in file_lot(given.reports, document):
        say(remark, to_error=True)


def _opened(document: Path) -> Mapping[str, Any]:
    from stepwitness.inspection.supply import LOT_SCHEMA
    from stepwitness.records.sealed import open_sealed

    return open_sealed(document, (LOT_SCHEMA,)).sections


def _told(given: argparse.Namespace, sections: Mapping[str, Any], folder: Path) -> int:
    """The lot, for a person or a machine; the exit code of its sentence."""
    if given.json:
        say_json(sections, folder)
    else:
        say_lot(sections, folder)
    return OK if sections["sentence"]["sentence"] == "accepted" else NOT_GOOD
