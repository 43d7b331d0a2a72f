"""`stepwitness qualify`: numbered clauses on a sample of units, over days, to a sealed document."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stepwitness.commands.documents import told_broken
from stepwitness.commands.qualify_screen import say_head, say_json, say_qualification
from stepwitness.commands.terminal import NOT_GOOD, OK, Commands, say
from stepwitness.errors import BadInput

if TYPE_CHECKING:
    from stepwitness.attendance import Operator
    from stepwitness.qualification.qualification import Qualification, Setting

REPORTS = Path("reports")


def add(commands: Commands) -> None:
    qualify = commands.add_parser(
        "qualify", help="qualification: clauses on a sample of units, over days, to a sealed document"
    )
    of = qualify.add_subparsers(metavar="ACTION", required=True)

    run = of.add_parser("run", help="test what is due, up to the next hold point; or carry on")
    _options(run)
    _testing_options(run)
    run.add_argument("--seal", action="store_true", help="seal the document once nothing is due any more")
    run.set_defaults(run=_run)

    rerun = of.add_parser("rerun", help="test a unit again that is decided in a clause; both records stand")
    _options(rerun)
    _testing_options(rerun)
    rerun.add_argument("clause", metavar="CLAUSE", help="number of the clause")
    rerun.add_argument("serial", metavar="SERIAL", help="serial number of the unit")
    rerun.add_argument("--why", required=True, choices=("rework", "study", "dispute"), help="why it is tested again")
    rerun.add_argument("--note", default="", metavar="TEXT", help="what the record is to say of it besides")
    rerun.set_defaults(run=_rerun)

    confirm = of.add_parser("confirm", help="confirm a precondition")
    _options(confirm)
    confirm.add_argument("precondition", type=int, metavar="N", help="its number in the file, from 1")
    confirm.set_defaults(run=_confirm)

    release = of.add_parser("release", help="release the hold point at which work stands")
    _options(release)
    release.add_argument("hold_point", metavar="ID", help="id of the hold point")
    release.add_argument("--note", default="", metavar="TEXT", help="what was seen or done there")
    release.set_defaults(run=_release)

    deviation = of.add_parser("deviation", help="write a deviation down, and with it any file that changed")
    _options(deviation)
    deviation.add_argument("text", metavar="WHY", help="what deviates, and why")
    deviation.add_argument("--about", default="", metavar="WHAT", help="the clause or unit that it is about")
    deviation.set_defaults(run=_deviation)

    show = of.add_parser("show", help="the matrix: how far it is, or how it ended")
    _options(show)
    show.set_defaults(run=_show)

    seal = of.add_parser("seal", help="seal the document; nothing comes after it")
    _options(seal)
    _sealing_options(seal)
    seal.add_argument("--note", default="", metavar="TEXT", help="why it ends though something is still due")
    seal.set_defaults(run=_seal)


def _options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="QUALIFICATION", type=Path, help="a qualification file (*.qualification.yaml)")
    parser.add_argument(
        "--live",
        action="append",
        default=[],
        metavar="BENCH",
        help="a bench's name: its real parts are used, and move; once for each bench that a clause names",
    )
    parser.add_argument(
        "--reports", type=Path, default=REPORTS, metavar="DIR", help="folder of records (default: reports)"
    )
    parser.add_argument("--operator", default="", metavar="INITIALS", help="who does it; may be left out")
    parser.add_argument("--json", action="store_true", help="print it as JSON; all else goes to standard error")


def _testing_options(parser: argparse.ArgumentParser) -> None:
    _sealing_options(parser)
    parser.add_argument(
        "--over", default="", metavar="WAY", help="how stand-ins are reached (default: as the bench says)"
    )
    parser.add_argument(
        "--environment",
        action="append",
        default=[],
        metavar="QUANTITY=VALUE",
        help="a quantity that the file asks for, as read now: 'temperature=22.4 °C'",
    )
    parser.add_argument(
        "--deviation", default="", metavar="WHY", help="why work goes on though the environment is out of its range"
    )
    parser.add_argument(
        "--rehearse",
        action="store_true",
        help="ask nobody and pass hold points, written down as a rehearsal; for stand-ins alone",
    )


def _sealing_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--authorised-by", default="", metavar="WHO", help="who authorises the document")


# -- actions -------------------------------------------------------------------------------------------------------


def _run(given: argparse.Namespace) -> int:
    from stepwitness.qualification.running import work

    operator = _operator(given)
    with _opened(given) as qualification:
        qualification.check_files()
        _record_environment(given, qualification)
        say_head(_sections(qualification), to_error=given.json)
        point = work(qualification, operator, by=given.operator, rehearsal=given.rehearse)
        if point is not None:
            operator.say(
                f"\nhold point {point.id} before clause {point.before}: {point.title}. Work goes on once "
                f"'stepwitness qualify release {given.file} {point.id}' has released it."
            )
        if given.seal and not qualification.progress.due:
            return _sealed(given, qualification)
        return _told(given, _sections(qualification), qualification.setting.folder)


def _rerun(given: argparse.Namespace) -> int:
    from datetime import date

    from stepwitness.attempts import Why
    from stepwitness.findings import Verdict
    from stepwitness.qualification.running import conduct_unit, told_of_recovery

    operator = _operator(given)
    with _opened(given) as qualification:
        clause = qualification.description.clause(given.clause)
        if clause is None or given.serial not in qualification.description.units:
            raise BadInput(
                "no such unit at a clause of this qualification",
                found=f"clause {given.clause}, unit {given.serial}",
                allowed=f"clauses {', '.join(one.number for one in qualification.description.clauses)}; units "
                f"{', '.join(qualification.description.units)}",
            )
        told_of_recovery(qualification, operator)
        qualification.check_files()
        _record_environment(given, qualification)
        attempt = conduct_unit(
            qualification,
            clause,
            given.serial,
            operator,
            by=given.operator,
            why=Why(given.why),
            note=given.note,
            today=date.today(),
        )
        counted, because = qualification.progress.counting(clause, given.serial)
        assert counted is not None, "only what is decided is run again"
        operator.say(f"Of {given.serial} at clause {clause.number}, attempt {counted.number} counts: {because}.")
        if given.json:
            say_json(_sections(qualification), qualification.setting.folder)
        assert attempt.outcomes is not None, "it has its record"
        return OK if attempt.outcomes.verdict == Verdict.PASS.value else NOT_GOOD


def _confirm(given: argparse.Namespace) -> int:
    with _opened(given) as qualification:
        texts = qualification.description.preconditions
        if not 1 <= given.precondition <= len(texts):
            raise BadInput(
                "no precondition of this qualification",
                found=str(given.precondition),
                allowed=f"1 to {len(texts)}" if texts else "none",
            )
        text = texts[given.precondition - 1]
        qualification.confirm(text, by=given.operator)
    say(f"Precondition {given.precondition} is confirmed: {text}", to_error=given.json)
    return OK


def _release(given: argparse.Namespace) -> int:
    with _opened(given) as qualification:
        qualification.check_files()
        point = qualification.release(given.hold_point, by=given.operator, note=given.note)
    say(f"Hold point {point.id} is released: {point.title}", to_error=given.json)
    return OK


def _deviation(given: argparse.Namespace) -> int:
    with _opened(given) as qualification:
        changed = qualification.deviate(given.text, by=given.operator, about=given.about)
    noted = f", with the change of {', '.join(changed)}" if changed else ""
    say(f"The deviation is written down{noted}.", to_error=given.json)
    return OK


def _show(given: argparse.Namespace) -> int:
    from stepwitness.qualification.document import SCHEMA, sections_of
    from stepwitness.qualification.qualification import DOCUMENT_FILE, read_progress
    from stepwitness.records.sealed import open_sealed

    setting = _setting(given)
    document = setting.folder / DOCUMENT_FILE
    sealed = document.exists()
    sections = open_sealed(document, (SCHEMA,)).sections if sealed else sections_of(read_progress(setting))
    altered = sealed and told_broken(document)
    if not given.json:
        say_head(sections)
    told = _told(given, sections, setting.folder)
    return NOT_GOOD if altered else told


def _seal(given: argparse.Namespace) -> int:
    with _opened(given) as qualification:
        qualification.recover()
        if qualification.progress.due and not given.note:
            raise BadInput(
                "something is still due",
                found=f"{len(qualification.progress.due)} of {len(qualification.description.cells)} tests",
                allowed="--note with the reason why it ends here",
            )
        return _sealed(given, qualification)


# -- what they share -----------------------------------------------------------------------------------------------


def _setting(given: argparse.Namespace) -> Setting:
    from stepwitness.qualification.model import load_qualification
    from stepwitness.qualification.qualification import Setting

    description = load_qualification(given.file)
    return Setting(description, given.reports, tuple(given.live), getattr(given, "over", ""))


def _opened(given: argparse.Namespace) -> Qualification:
    from stepwitness.qualification.qualification import Qualification

    return Qualification(_setting(given))


def _record_environment(given: argparse.Namespace, qualification: Qualification) -> None:
    from stepwitness.qualification.qualification import environment_values

    if qualification.progress.due or given.environment:
        values = environment_values(given.environment)
        qualification.record_environment(values, by=given.operator, deviation=given.deviation)


def _operator(given: argparse.Namespace) -> Operator:
    from stepwitness.commands.prompts import AtTerminal, Unattended

    if not given.rehearse:
        return AtTerminal(to_error=given.json)
    if given.live:
        raise BadInput("a rehearsal with real parts", found=f"--live {given.live[0]}", allowed="stand-ins alone")
    return Unattended(to_error=given.json)


def _sections(qualification: Qualification) -> Mapping[str, Any]:
    from stepwitness.qualification.document import sections_of

    return sections_of(qualification.progress)


def _sealed(given: argparse.Namespace, qualification: Qualification) -> int:
    from stepwitness.qualification.document import SCHEMA, seal_qualification
    from stepwitness.records.sealed import open_sealed

    path, troubles = seal_qualification(
        qualification,
        operator=given.operator,
        authorised_by=given.authorised_by,
        note=getattr(given, "note", ""),
    )
    _say_troubles(troubles)
    return _told(given, open_sealed(path, (SCHEMA,)).sections, path.parent)


def _say_troubles(troubles: Sequence[str]) -> None:
    for trouble in troubles:
        say(trouble, to_error=True)


def _told(given: argparse.Namespace, sections: Mapping[str, Any], folder: Path) -> int:
    """The qualification, for a person or a machine; the exit code of its verdict."""
    from stepwitness.findings import Verdict

    if given.json:
        say_json(sections, folder)
    else:
        say_qualification(sections, folder)
    return OK if sections["end"]["verdict"] == Verdict.PASS.value else NOT_GOOD
